/** The lines to paste: one a device where a visit sheet is there, else one an image, for the address in each network. */
import type { BoardRow, BoardView } from '../../bench/snapshot-shape.ts'
import type { Depot } from '../../depot/depot.ts'
import type { Base } from '../../network/bases.ts'
import { filledLine } from '../../report/paste-line.ts'
import { type Image, referenceOf } from '../../staging/image.ts'
import { stateWords } from '../../staging/image-words.ts'
import { createImageNames, type ImageNames } from '../../visit/planned-image.ts'
import { isDoneMark } from '../../wording/marks.ts'
import { textWidth } from '../../wording/text-width.ts'
import { shortened, visible } from '../../wording/visible.ts'

/** The page has a line for each. */
const DEVICES_AT_MOST = 24
const IMAGES_AT_MOST = 12

export function imageNamesOf(images: readonly Image[]): ImageNames {
  return createImageNames(images.map(referenceOf))
}

export function pasteLines(depot: Depot, board: BoardView, columns?: number): string[] {
  const bases = depot.bases()
  const unreachable = bases.length > 0 ? [] : [NO_ADDRESS]
  const usable = bases.length > 0 ? bases : depot.loopbackBases()
  if (board.sheet === null) return [...unreachable, ...imageLines(depot, usable, columns)]
  const isSure = board.rows.every(({ own, planned }) => own !== null || !planned)
  return [
    ...unreachable,
    ...deviceLines(depot, board, usable, columns),
    ...(isSure ? [] : networksWords(usable)),
  ]
}

const NO_ADDRESS =
  'No device can reach this laptop: it listens on no network address. Connect the cable or the network.'

/** The line for the first address, for an image that is ready; the page has the others. */
export function preferredUrl(image: Image | undefined, bases: readonly Base[]): string | undefined {
  const [first] = bases
  return image?.state !== 'ready' || first === undefined ? undefined : first.url + image.plainPath
}

function deviceLines(
  depot: Depot,
  { rows }: BoardView,
  bases: readonly Base[],
  columns: number | undefined,
): string[] {
  const names = imageNamesOf(depot.catalogue.images())
  const planned = rows.filter((row) => row.planned && row.image !== null)
  const left = planned.filter(({ mark }) => !isDoneMark(mark))
  if (planned.length > 0 && left.length === 0)
    return ['Every device of the visit sheet has pulled its image.']
  const shown = left.slice(0, DEVICES_AT_MOST)
  const more = left.length - shown.length
  const done = planned.length - left.length
  return [
    `Paste on each device${done > 0 ? ` (${done} of ${planned.length} are done)` : ''}:`,
    ...beside(
      shown.map((row) => {
        const image = depot.catalogue.get(names.find(row.image ?? '')?.name ?? '')
        return { who: shortened(row.device, 28), lines: linesOf(row, image, bases, depot, columns) }
      }),
      columns,
    ),
    ...(more > 0 ? [`  … and ${more} more; the bench page has a line for each`] : []),
  ]
}

function linesOf(
  row: BoardRow,
  image: Image | undefined,
  bases: readonly Base[],
  { settings }: Depot,
  columns: number | undefined,
): string[] {
  if (image === undefined) return [`${visible(row.image ?? '')} is not in the folder`]
  if (image.state === 'held') return [`${visible(image.name)} is held`]
  const base = bases.find(({ own }) => own.address === row.own) ?? bases[0]
  if (base === undefined) return []
  const lines = filledLines(base, image, settings.paste, columns)
  return image.state === 'ready' ? lines : lines.map((line) => `${line}  (${stateWords(image.state)})`)
}

/** Names in a column of their own where that leaves each line whole, else each line below its name. */
function beside(
  entries: readonly { readonly who: string; readonly lines: readonly string[] }[],
  columns = Number.POSITIVE_INFINITY,
): string[] {
  const names = Math.max(0, ...entries.map(({ who }) => textWidth(who)))
  const longest = Math.max(0, ...entries.flatMap(({ lines }) => lines.map(textWidth)))
  const isBeside = 2 + names + 2 + longest <= columns
  return entries.flatMap(({ who, lines }) => {
    if (!isBeside) return [`  ${who}`, ...lines.map((line) => `    ${line}`)]
    const gap = ' '.repeat(names - textWidth(who))
    return lines.map((line, at) => (at === 0 ? `  ${who}${gap}  ${line}` : `${' '.repeat(4 + names)}${line}`))
  })
}

/** All images for the first address; the others differ in nothing but their beginning. */
function imageLines(depot: Depot, bases: readonly Base[], columns: number | undefined): string[] {
  const [first, ...others] = bases
  if (first === undefined) return []
  const ready = depot.catalogue.images().filter(({ state }) => state === 'ready')
  const shown = ready.slice(0, IMAGES_AT_MOST)
  const more = ready.length - shown.length
  return [
    'Paste on the device; use the address that is in its own network:',
    `  ${networkOf(first)}`,
    ...(shown.length === 0 ? [`    ${first.url}/ and the path of an image`] : []),
    ...shown.flatMap((image) =>
      filledLines(first, image, depot.settings.paste, columns).map((line) => `    ${line}`),
    ),
    ...(more > 0 ? [`    … and ${more} more: ${first.url}/ and the path of the image`] : []),
    ...others.map((base) => `  ${networkOf(base)}: the same paths after ${base.url}`),
  ]
}

/** A device whose address no subnet of this laptop holds may need another one than its line has. */
function networksWords(bases: readonly Base[]): string[] {
  if (bases.length < 2) return []
  return [
    'If a device is in another network than its line, these lead here too:',
    ...bases.map((base) => `  ${base.url}  ${networkOf(base)}`),
  ]
}

function networkOf({ own, port, door }: Base): string {
  const marks = [
    ...(door.name === 'http' && port === door.usualPort ? ['for consoles that take no port'] : []),
    ...(door.name === 'http' ? [] : [`by ${door.name.toUpperCase()}`]),
    ...(own.tunnel ? ['a tunnel: refused without --allow-tunnels'] : []),
    ...(own.linkLocal ? ['link-local'] : []),
    ...(own.loopback ? ['this laptop only'] : []),
  ]
  return `${own.interface}  ${own.address}/${own.prefix}${marks.length === 0 ? '' : ` (${marks.join('; ')})`}`
}

/** Room for a line to be set in. */
const INDENT = 4

/** The door's own lines always, by the short path where they fit no more; a line whose digest is not known yet is left out. */
function filledLines(base: Base, image: Image, paste: readonly string[], columns?: number): string[] {
  const facts = {
    baseUrl: base.url,
    host: base.own.address,
    port: base.port,
    plainPath: image.plainPath,
    bytes: image.bytes,
    sha256: image.version?.sha256 ?? null,
    md5: image.version?.more.md5 ?? null,
  }
  const isLong = columns !== undefined && (base.url + image.plainPath).length + INDENT > columns
  const plainPath = isLong && image.digestPath !== undefined ? image.digestPath : image.plainPath
  return [
    ...base.door.lines(base.port).flatMap((line) => filledLine(line, { ...facts, plainPath }) ?? []),
    ...paste.flatMap((line) => filledLine(line, facts) ?? []),
  ]
}
