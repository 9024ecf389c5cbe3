/**
 * Staging folders as people fill them, made up from a seed: images with and without a maker's text, whole and broken
 * off, downloads under way, and what systems and offices leave lying about. Each file brings what is to become of it.
 */
import { mkdir, truncate, utimes, writeFile } from 'node:fs/promises'
import { dirname } from 'node:path'
import { gzipSync } from 'node:zlib'
import { createFormatChecker, type FormatChecker } from '../../server/trust/formats/check-queue.ts'
import { createJudge } from '../../server/trust/judgement.ts'
import { createPublishedChecksums } from '../../server/trust/published/published-checksums.ts'
import { stage } from '../staging/stage.ts'
import { digestsOf, IMAGE, OTHER, oneDigitWrong, TEXTS } from '../trust/digests/texts.ts'
import { createRandom, type Random } from '../truth/random.ts'

/** `any`: a text that a person may want to offer, or not. */
type Fate = 'ready' | 'held' | 'no image' | 'any'

interface File {
  readonly name: string
  readonly bytes: Uint8Array
  readonly fate: Fate
  readonly mtime?: Date
  /** The full size, with nothing written for what is missing. */
  readonly reserved?: number
}

const binary = (random: Random, what: string): string => `\u0001\u0002\u0000${what} ${random.next()}`
const bytes = (random: Random, length: number): Buffer =>
  Buffer.from(Array.from({ length }, () => random.whole(0, 255)))
const packed = (random: Random): Buffer => gzipSync(bytes(random, 3_000))
const text = (words: string): Buffer => Buffer.from(words)
/** What office programs pack their files in. */
const office = (random: Random): Buffer => Buffer.concat([text('PK\u0003\u0004'), bytes(random, 200)])

/** An image, another one, and what the maker says of both, right or with one digit wrong. */
function published(random: Random): File[] {
  const [own, others] = [binary(random, 'own'), binary(random, 'other')]
  const { file, text: written } = random.pick(Object.values(TEXTS) as [(typeof TEXTS)[string]])
  const isWrong = random.chance(0.4)
  const digests = digestsOf(own)
  const said = written(isWrong ? oneDigitWrong(digests) : digests, digestsOf(others))
  return [
    { name: IMAGE, bytes: Buffer.from(own), fate: isWrong ? 'held' : 'ready' },
    { name: OTHER, bytes: Buffer.from(others), fate: 'ready' },
    { name: file, bytes: Buffer.from(said), fate: /\.json$|^out\//.test(file) ? 'any' : 'no image' },
  ]
}

const WHOLE: readonly [(random: Random) => File[], ...((random: Random) => File[])[]] = [
  (random) => [{ name: 'door station (1).bin', bytes: bytes(random, random.whole(1, 9_000)), fate: 'ready' }],
  (random) => [{ name: 'gerät-größe.img', bytes: bytes(random, 5_000), fate: 'ready' }],
  (random) => [{ name: 'packed.bin.gz', bytes: packed(random), fate: 'ready' }],
  (random) => [
    { name: 'old.bin', bytes: bytes(random, 800), fate: 'ready', mtime: new Date('1980-01-01T00:00:00Z') },
  ],
  (random) => [{ name: 'without-extension', bytes: bytes(random, 4_096), fate: 'ready' }],
  () => [{ name: 'phone.cfg', bytes: text('server = 192.0.2.1\nvolume = 5\n'), fate: 'ready' }],
]

const BROKEN: typeof WHOLE = [
  (random) => {
    const whole = packed(random)
    return [
      { name: 'half.bin.gz', bytes: whole.subarray(0, random.whole(20, whole.length - 1)), fate: 'held' },
    ]
  },
  (random) => [
    { name: 'dated.bin', bytes: bytes(random, 700), fate: 'held', mtime: new Date(random.whole(0, 999)) },
  ],
  (random) => [{ name: 'reserved.bin', bytes: bytes(random, 10_000), fate: 'held', reserved: 2_000_000 }],
  () => [
    { name: 'login.bin', bytes: text('<!DOCTYPE html><html><body>Sign in</body></html>'), fate: 'held' },
  ],
  () => [{ name: 'error.img', bytes: text('{"error": "not found"}'), fate: 'held' }],
  () => [{ name: 'empty.bin', bytes: Buffer.alloc(0), fate: 'held' }],
  (random) => [
    { name: 'torrent.bin', bytes: bytes(random, 900), fate: 'no image' },
    { name: 'torrent.bin.aria2', bytes: bytes(random, 90), fate: 'no image' },
  ],
  (random) => [
    { name: 'growing.bin', bytes: Buffer.alloc(0), fate: 'no image' },
    { name: 'growing.Xy3k.bin.part', bytes: bytes(random, 900), fate: 'no image' },
  ],
  (random) => [{ name: 'saved.bin.crdownload', bytes: bytes(random, 900), fate: 'no image' }],
  (random) => [{ name: 'saved.download/image.bin', bytes: bytes(random, 900), fate: 'no image' }],
]

const LYING_ABOUT: typeof WHOLE = [
  (random) => [{ name: 'fw.bin:Zone.Identifier', bytes: bytes(random, 26), fate: 'no image' }],
  (random) => [{ name: '~$visit.docx', bytes: bytes(random, 162), fate: 'no image' }],
  (random) => [{ name: 'Thumbs.db', bytes: bytes(random, 600), fate: 'no image' }],
  () => [{ name: 'desktop.ini', bytes: text('[.ShellClassInfo]\r\n'), fate: 'no image' }],
  (random) => [{ name: 'Firmware.lnk', bytes: bytes(random, 300), fate: 'no image' }],
  () => [{ name: 'Downloads.url', bytes: text('[InternetShortcut]\r\n'), fate: 'no image' }],
  (random) => [{ name: '.DS_Store', bytes: bytes(random, 300), fate: 'no image' }],
  (random) => [{ name: '._fw.bin', bytes: bytes(random, 300), fate: 'no image' }],
  (random) => [{ name: 'plan.xlsx', bytes: office(random), fate: 'no image' }],
  (random) => [{ name: 'report.docx', bytes: office(random), fate: 'no image' }],
  () => [{ name: 'manual.pdf', bytes: text('%PDF-1.7\n'), fate: 'no image' }],
  () => [{ name: 'README.md', bytes: text('# Read this first\n'), fate: 'no image' }],
  () => [{ name: 'session.log', bytes: text('login: engineer\n'), fate: 'no image' }],
  // What only has a document's name is an image.
  (random) => [{ name: 'image.txt', bytes: bytes(random, 5_000), fate: 'ready' }],
]

function filesOf(random: Random): File[] {
  return Array.from({ length: random.whole(2, 6) }, (_, at) => {
    const kind = random.weighted([
      { weight: 4, make: published },
      { weight: 3, make: random.pick(WHOLE) },
      { weight: 3, make: random.pick(BROKEN) },
      { weight: 2, make: random.pick(LYING_ABOUT) },
    ])
    return kind.make(random).map((file) => ({ ...file, name: `${at} Flur/${file.name}` }))
  }).flat()
}

async function put(path: string, { bytes, mtime, reserved }: File): Promise<void> {
  await mkdir(dirname(path), { recursive: true })
  await writeFile(path, bytes)
  if (reserved !== undefined) await truncate(path, reserved)
  if (mtime !== undefined) await utimes(path, mtime, mtime)
}

/** What became otherwise than it should, in words; a fault of the program is one of these too. */
export async function wrongIn(seed: string, formats: FormatChecker): Promise<string[]> {
  const random = createRandom(seed)
  const files = filesOf(random).sort(() => random.next() - 0.5)
  const staged = await stage()
  const troubles: string[] = []
  let names: () => readonly string[] = () => []
  try {
    const checksums = createPublishedChecksums({ imageNames: () => names() })
    const before = random.whole(0, files.length)
    for (const file of files.slice(0, before)) await put(staged.path(file.name), file)
    const judge = createJudge({ folder: staged.folder, checksums, formats })
    const catalogue = await staged.open({ judge, times: { settleMs: 20, settleUnsureMs: 60 } })
    names = catalogue.names
    catalogue.events.on('trouble', (message) => troubles.push(message))
    for (const file of files.slice(before)) await put(staged.path(file.name), file)
    await catalogue.rescan()
    await catalogue.idle()
    const found = files.flatMap(({ name, fate }) => {
      const image = catalogue.get(name)
      const isList = image?.hold?.reasons.some(({ cause }) => cause === 'list of checksums') === true
      const state = image === undefined || isList ? 'no image' : image.state
      return fate === 'any' || fate === state ? [] : [`${seed}: ${name} is ${state}, not ${fate}`]
    })
    return [...found, ...troubles.map((trouble) => `${seed}: ${trouble}`)]
  } finally {
    await staged.close()
  }
}

/** All seeds, a few folders side by side. */
export async function wrongInAll(seeds: readonly string[], atOnce = 4): Promise<string[]> {
  const formats = createFormatChecker()
  const left = [...seeds]
  const wrong: string[] = []
  async function work(): Promise<void> {
    for (let seed = left.pop(); seed !== undefined; seed = left.pop())
      wrong.push(...(await wrongIn(seed, formats)))
  }
  try {
    await Promise.all(Array.from({ length: atOnce }, work))
  } finally {
    await formats.close()
  }
  return wrong
}
