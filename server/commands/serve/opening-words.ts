/** What `serve` prints first: the images, and the line to paste for each address. */
import type { Depot } from '../../depot/depot.ts'
import type { Base } from '../../network/bases.ts'
import { imageView, standingText } from '../../report/image-view.ts'
import { filledLine } from '../../report/paste-line.ts'
import { tableLines } from '../../report/table.ts'
import type { Image } from '../../staging/image.ts'
import { stateWords } from '../../staging/image-words.ts'
import { remainingWords } from '../../wording/remaining-words.ts'
import { bytesText } from '../../wording/units.ts'
import { shortened, visible } from '../../wording/visible.ts'
import { VERSION } from '../version.ts'
import { notOfferedWords, unusedLines } from './not-offered-words.ts'

const IMAGES_SHOWN = 40
const LINES_PER_ADDRESS = 12

export function openingWords(
  depot: Depot,
  pageAddress: string | undefined,
  remarks: readonly string[],
): string[] {
  const images = depot.catalogue.images()
  const remaining = depot.visit.remaining([])
  return [
    `Fetchproof ${VERSION}: serving ${visible(depot.settings.folder)}`,
    '',
    ...imageTable(images),
    ...notOfferedWords(depot.catalogue.notOffered()),
    ...unusedLines(depot.unused()),
    '',
    ...(remaining === null ? [] : [remainingWords(remaining), '']),
    ...pasteLines(images, depot),
    '',
    ...(pageAddress === undefined ? [] : [`Bench page (this laptop only): ${pageAddress}`]),
    `Rehearsal code, for "fetchproof rehearse" on another laptop: ${depot.rehearsals.code}`,
    ...remarks.map((remark) => `Note: ${remark}`),
    ...lostWords(depot),
    'Before the first pull: a wrong or interrupted image can leave a device dead. Keep its power on while it writes,',
    'have the rollback image ready, and tell those who depend on what goes down with it. See Cautions in the README.',
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

function imageTable(images: readonly Image[]): string[] {
  if (images.length === 0)
    return ['The staging folder holds no image yet. Copy one in: it is noticed by itself.']
  const rows = images.slice(0, IMAGES_SHOWN).map((image) => imageView(image, []))
  const lines = tableLines(
    [
      { title: 'Image', cell: (row) => shortened(row.name, 40) },
      { title: 'State', cell: (row) => stateWords(row.state) },
      { title: 'Bytes', align: 'right', cell: (row) => bytesText(row.bytes) },
      { title: 'SHA-256', cell: (row) => row.sha256?.slice(0, 12) ?? '-' },
      { title: 'Published checksum', cell: (row) => standingText(row.published) },
      { title: '', cell: (row) => row.reason ?? '' },
    ],
    rows,
  )
  const left = images.length - rows.length
  return left > 0 ? [...lines, `… and ${left} more; "fetchproof images" lists all`] : lines
}

/** One block an address; the address of the device decides which one it can reach. */
function pasteLines(images: readonly Image[], depot: Depot): string[] {
  const bases = depot.bases()
  if (bases.length > 0) {
    return [
      'Paste on the device; use the address that is in its own network:',
      ...blocks(images, bases, depot.settings.paste),
    ]
  }
  return [
    'No device can reach this laptop: it listens on no network address. Connect the cable or the network.',
    ...blocks(images, depot.loopbackBases(), depot.settings.paste),
  ]
}

function blocks(images: readonly Image[], bases: readonly Base[], paste: readonly string[]): string[] {
  const servable = images.filter((image) => image.state !== 'held')
  return bases.flatMap((base) => [
    `  ${base.own.interface}  ${base.own.address}/${base.own.prefix}${marksOf(base)}`,
    ...(servable.length === 0 ? [`    ${base.url}/`] : []),
    ...servable.slice(0, LINES_PER_ADDRESS).flatMap((image) => linesFor(base, image, paste)),
    ...(servable.length > LINES_PER_ADDRESS
      ? [`    … the other images: ${base.url}/ and the image's path`]
      : []),
  ])
}

/** The line for the first address, for an image that is ready; the page has the others. */
export function preferredUrl(image: Image | undefined, bases: readonly Base[]): string | undefined {
  const [first] = bases
  return image?.state !== 'ready' || first === undefined ? undefined : first.url + image.plainPath
}

function linesFor(base: Base, image: Image, paste: readonly string[]): string[] {
  const facts = {
    baseUrl: base.url,
    host: base.own.address,
    port: base.port,
    plainPath: image.plainPath,
    bytes: image.bytes,
    sha256: image.version?.sha256 ?? null,
    md5: image.version?.more.md5 ?? null,
  }
  // The door's own always; a line that asks for a digest which is not known yet is left out.
  return [...base.door.lines(base.port), ...paste]
    .flatMap((line) => filledLine(line, facts) ?? [])
    .map((line) => `    ${line}`)
}

function marksOf({ own, port, door }: Base): string {
  const marks = [
    ...(door.name === 'http' && port === door.usualPort ? ['for consoles that take no port'] : []),
    ...(door.name === 'http' ? [] : [`by ${door.name.toUpperCase()}`]),
    ...(own.tunnel ? ['a tunnel: refused without --allow-tunnels'] : []),
    ...(own.linkLocal ? ['link-local'] : []),
    ...(own.loopback ? ['this laptop only'] : []),
  ]
  return marks.length === 0 ? '' : `  (${marks.join('; ')})`
}
