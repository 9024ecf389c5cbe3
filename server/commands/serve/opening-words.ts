/** What `serve` prints first: the images, and the line to paste for each device, or for each image. */
import type { BoardView } from '../../bench/snapshot-shape.ts'
import type { Depot } from '../../depot/depot.ts'
import { type ImageView, imageView, standingText } from '../../report/image-view.ts'
import { type Column, tableLines } from '../../report/table.ts'
import { type Image, referenceOf } from '../../staging/image.ts'
import { stateWords } from '../../staging/image-words.ts'
import { remainingWords } from '../../wording/remaining-words.ts'
import { bytesText } from '../../wording/units.ts'
import { shortened, visible } from '../../wording/visible.ts'
import { VERSION } from '../version.ts'
import { notOfferedWords, unusedLines } from './not-offered-words.ts'
import { imageNamesOf, pasteLines } from './paste-lines.ts'

const IMAGES_SHOWN = 40

interface Opening {
  readonly pageAddress: string | undefined
  readonly remarks: readonly string[]
  readonly board: BoardView
}

/** `columns`: of the terminal, where there is one. */
export function openingWords(
  depot: Depot,
  { pageAddress, remarks, board }: Opening,
  columns?: number,
): string[] {
  const remaining = depot.visit.remaining([])
  return [
    `Fetchproof ${VERSION}: serving ${visible(depot.settings.folder)}`,
    '',
    ...imageTable(depot, columns),
    ...notOfferedWords(depot.catalogue.notOffered()),
    ...unusedLines(depot.unused()),
    '',
    ...pasteLines(depot, board, columns),
    '',
    ...(remaining === null ? [] : [remainingWords(remaining)]),
    ...(pageAddress === undefined ? [] : [`Bench page (this laptop only): ${pageAddress}`]),
    `Rehearsal code, for "fetchproof rehearse" on another laptop: ${depot.rehearsals.code}`,
    ...remarks.map((remark) => `Note: ${remark}`),
    ...lostWords(depot),
    'A wrong or interrupted image can leave a device dead: keep its power on while it writes, and have the rollback image and console access ready. See Cautions in the README.',
    'Stop with Ctrl-C.',
    '',
  ]
}

/** Named one by one. */
const LOST_AT_MOST = 5

/** Devices that were pulling when the program or the computer stopped. */
function lostWords({ lostTrack, visit }: Depot): string[] {
  const who = lostTrack.map(({ client, image }) => {
    const name = visit.nameOf({ address: client.address, mac: client.mac ?? null })
    return `${name === null ? '' : `${visible(name)}, `}${client.address} (${shortened(image?.name ?? '', 40)})`
  })
  const devices = [...new Set(who)]
  if (devices.length === 0) return []
  const more = devices.length - LOST_AT_MOST
  const rest = more > 0 ? ` and ${more} more` : ''
  return [
    `Note: the server before this one did not stop normally. Let these pull again before they restart: ${devices.slice(0, LOST_AT_MOST).join('; ')}${rest}.`,
  ]
}

/** Those that can be fetched, are planned or need a person; what is still being copied or read is counted. */
function imageTable(depot: Depot, columns: number | undefined): string[] {
  const images = depot.catalogue.images()
  if (images.length === 0)
    return ['The staging folder holds no image yet. Copy one in: it is noticed by itself.']
  const isPlanned = plannedIn(depot)
  const shown = images.filter(
    (image) => image.state === 'ready' || image.state === 'held' || isPlanned(image),
  )
  const views = shown
    .sort((a, b) => Number(b.state === 'held') - Number(a.state === 'held'))
    .slice(0, IMAGES_SHOWN)
    .map((image) => imageView(image, []))
  const [listed, unready] = [shown.length - views.length, images.length - shown.length]
  return [
    ...(views.length === 0 ? [] : imageLines(views, columns)),
    ...(listed > 0 ? [`… and ${listed} more; "fetchproof images" lists all`] : []),
    ...(unready > 0
      ? [
          `${unready === 1 ? '1 more image is' : `${unready} more images are`} still being copied or read; a line says when one is ready.`,
        ]
      : []),
  ]
}

/** On how many lines they stand in a narrow terminal; elsewhere all are columns of one table. */
const IMAGE_LINES: readonly (readonly Column<ImageView>[])[] = [
  [
    { title: 'State', cell: ({ state }) => stateWords(state) },
    { title: 'Image', name: true, cell: ({ name }) => shortened(name, 40) },
  ],
  [
    { title: 'Bytes', align: 'right', cell: ({ bytes }) => bytesText(bytes) },
    { title: 'SHA-256', cell: ({ sha256 }) => sha256?.slice(0, 12) ?? '-' },
    {
      title: 'Published checksum',
      cell: ({ state, published }) =>
        state === 'ready' || state === 'held' ? standingText({ ...published, source: undefined }) : '-',
    },
  ],
  // Of those that settle it would say the same on each.
  [{ title: '', below: true, cell: ({ state, reason }) => (state === 'settling' ? '' : (reason ?? '')) }],
]
/** A line an image fits from here on. */
const LINE_FROM = 72

function imageLines(views: readonly ImageView[], columns = Number.POSITIVE_INFINITY): string[] {
  if (columns >= LINE_FROM) return tableLines(IMAGE_LINES.flat(), views, columns, LINE_FROM)
  const lineOf = (view: ImageView, line: readonly Column<ImageView>[]): string =>
    line.map(({ cell }) => visible(cell(view))).join('  ')
  return views.flatMap((view) => {
    const [first = '', ...others] = IMAGE_LINES.map((line) => lineOf(view, line))
    return [first, ...others.filter((line) => line.trim() !== '').map((line) => `  ${line}`)]
  })
}

function plannedIn({ visit, catalogue }: Depot): (image: Image) => boolean {
  const planned = visit.sheet?.rows.flatMap(({ image }) => image ?? []) ?? []
  const names = imageNamesOf(catalogue.images())
  return (image) => planned.some((cell) => names.names(cell, referenceOf(image)))
}
