/**
 * Files put into the folder of a running server to exhaust it: sheets, checksum lists and images made to hurt. What
 * is read of each is bounded in memory and time, and devices are served meanwhile and afterwards.
 */
import { renameSync, rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { crc32 } from 'node:zlib'
import { beforeAll, describe, expect, test } from 'vitest'
import { exchange, request } from '../clients/raw-client.ts'
import { imageBytes, ledgerEntries, type ServedProgram, sha256, untilAllDone } from '../clients/served.ts'
import { inProcess } from '../commands/in-process.ts'
import { residentKib, untilAtMost } from './process-facts.ts'
import { CORE, serveCore } from './target.ts'

const whenAllDone = untilAllDone()
const MIB = 1024 * 1024
const HEX = 'ab'.repeat(32)
/** How much the process may have grown when it is over with a file. */
const GROWTH_KIB = 300 * 1024
/** No answer takes longer, whatever is read meanwhile: devices give up after 15 to 30 s of silence. */
const ANSWER_MS = 10_000
let served: ServedProgram
let folder = ''
let startKib = 0

beforeAll(async () => {
  ;({ served, folder } = await serveCore(whenAllDone))
  await pull()
  startKib = residentKib(served)
})

async function pull(): Promise<void> {
  const begun = performance.now()
  const { client } = await exchange(served.port, request('/core.bin'))
  expect(client.bodySha256()).toBe(sha256(CORE))
  expect(performance.now() - begun).toBeLessThan(ANSWER_MS)
}

/** Pulls again and again until `done` has come. */
async function pullUntil(done: Promise<unknown>): Promise<void> {
  let waiting = true
  const over = done.finally(() => {
    waiting = false
  })
  while (waiting) await pull()
  await over
}

/** As one step, so that no half of it is read. */
function put(name: string, content: string | Buffer): void {
  const beside = join(folder, `${name}.tmp`)
  writeFileSync(beside, content)
  renameSync(beside, join(folder, name))
}

describe('visit.csv', () => {
  const SHEETS: readonly (readonly [string, () => string | Buffer])[] = [
    ['one line of 100 MB', () => Buffer.alloc(100 * MIB, 'x')],
    ['a million columns', () => `device${',c'.repeat(1_000_000)}\nsw1\n`],
    ['line ends alone', () => Buffer.alloc(5 * MIB, '\n')],
    ['an unclosed quotation mark', () => `device\nsw1\n"${'y\n'.repeat(2_000_000)}`],
    [
      'twenty thousand devices that pull for one another',
      () =>
        `device,via\n${Array.from({ length: 20_000 }, (_none, nth) => `d${nth},d${(nth + 1) % 20_000}`).join('\n')}`,
    ],
    [
      'control characters, six times as long once escaped',
      () =>
        `device,note\n${Array.from({ length: 4_900 }, (_none, nth) => `d${nth},${'\u0001'.repeat(1000)}\n`).join('')}`,
    ],
    ['headings of the prototype', () => 'device,__proto__,constructor,toString\nsw1,a,b,c\n'],
  ]

  test.each(SHEETS)('%s', async (what, content) => {
    const before = served.entries.filter(({ kind }) => kind === 'sheet').length
    put('visit.csv', content())
    await pullUntil(
      served.entry('sheet', () => served.entries.filter(({ kind }) => kind === 'sheet').length > before),
    )
    const sheet = served.entries.findLast((entry) => entry.kind === 'sheet')
    expect(JSON.stringify(sheet).length, what).toBeLessThan(9 * MIB)
    await untilAtMost(() => residentKib(served) - startKib, GROWTH_KIB, 'KiB more')
  })
})

describe('checksum lists', () => {
  test('of hundreds of thousands of names, one that counts among them, hold up nobody', async () => {
    rmSync(join(folder, 'visit.csv'), { force: true })
    const image = imageBytes(5000, 'listed')
    const names = Array.from(
      { length: 90_000 },
      (_none, nth) => `${HEX}  pool/${'../'.repeat(nth % 3)}f${nth}.deb`,
    )
    put(
      'SHA256SUMS',
      [...names.slice(0, 45_000), `${sha256(image)}  listed.bin`, ...names.slice(45_000)].join('\n'),
    )
    put('listed.bin', image)
    await pullUntil(
      served.entry(
        'image',
        ({ name, published }) => name === 'listed.bin' && published.standing === 'matches',
      ),
    )
    await untilAtMost(() => residentKib(served) - startKib, GROWTH_KIB, 'KiB more')
  })

  test('that contradict themselves on every line hold the image with a few words', async () => {
    const image = imageBytes(6000, 'disputed')
    const lines = Array.from(
      { length: 40_000 },
      (_none, nth) => `${nth.toString(16).padStart(64, '0')}  disputed.bin`,
    )
    put('SHA256SUMS', lines.join('\n'))
    put('disputed.bin', image)
    await pullUntil(served.entry('held', ({ name }) => name === 'disputed.bin'))
    const images = await inProcess(['images', folder, '--format', 'json'])
    expect(images.stdout.length).toBeLessThan(20_000)
    expect(images.stdout).toMatch(/\d+ more/)
  })

  test('too long, of one line, of nothing but escapes, or of names that climb: nothing is taken from them', async () => {
    const lists = [
      Buffer.alloc(17 * MIB, '#'),
      Buffer.alloc(8 * MIB, 'a'),
      `\\${HEX}  ${'\\\\'.repeat(30_000)}\n`.repeat(60),
      `SHA256 (${') = ('.repeat(12_000)}\n`.repeat(60),
    ]
    for (const [nth, list] of lists.entries()) {
      put('SHA256SUMS', list)
      const name = `after-${nth}.bin`
      put(name, imageBytes(700 + nth, name))
      await pullUntil(served.image(name))
    }
    expect(served.entries.filter((entry) => entry.kind === 'held' && entry.name === 'core.bin')).toEqual([])
    rmSync(join(folder, 'SHA256SUMS'))
  })
})

describe('images', () => {
  /** A run of one byte, 128 KiB unpacked from four bytes (RFC 8878 section 3.1.1.2). */
  const RUN = Buffer.from([0x02, 0x00, 0x10, 0x41])
  const zstd = (windowByte: number, runs: number): Buffer =>
    Buffer.concat([
      Buffer.from([0x28, 0xb5, 0x2f, 0xfd, 0x00, windowByte]),
      ...Array.from({ length: runs }, () => RUN),
      Buffer.from([1, 0, 0]),
    ])

  /** A member header (POSIX ustar) of any size, its checksum right. */
  function tarHead(size: string | Buffer, type: string): Buffer {
    const head = Buffer.alloc(512)
    head.write('a')
    head.write(size.toString(), 124)
    if (typeof size !== 'string') size.copy(head, 124)
    head.write('        ', 148)
    head.write(type, 156)
    head.write('ustar\u000000', 257, 'latin1')
    const sum = head.reduce((total, byte) => total + byte, 0)
    head.write(`${sum.toString(8).padStart(6, '0')}\0 `, 148)
    return head
  }

  const nothing = tarHead('00000000000', 'L')
  const IMAGES: readonly (readonly [string, () => Buffer])[] = [
    ['window.zst', () => zstd(0xff, 1)],
    ['runs.zst', () => zstd(0x58, 50_000)],
    [
      'names.tar',
      () => Buffer.concat([...Array.from({ length: 60_000 }, () => nothing), Buffer.alloc(1024)]),
    ],
    [
      'huge.tar',
      () => Buffer.concat([tarHead(Buffer.from('80ffffffffffffffffffffff', 'hex'), '0'), Buffer.alloc(1024)]),
    ],
    ['pax.tar', () => Buffer.concat([tarHead('77777777777', 'x'), Buffer.alloc(1024)])],
    ['endless.s19', () => Buffer.concat([Buffer.from('S0030000FC\n'), Buffer.alloc(20 * MIB, 'S1')])],
    ['records.s19', () => Buffer.from('S1030000FC\n'.repeat(100_000))],
    ['endless.hex', () => Buffer.concat([Buffer.from(':'), Buffer.alloc(20 * MIB, '0')])],
    [
      'comment.zip',
      () =>
        Buffer.concat([
          Buffer.from(`PK\u0003\u0004${'\0'.repeat(26)}`, 'latin1'),
          Buffer.alloc(MIB, 'PK\u0005\u0006', 'latin1'),
        ]),
    ],
    ['sections.elf', () => Buffer.concat([Buffer.from('7f454c4602010100', 'hex'), Buffer.alloc(200, 0xff)])],
    ['counted.bin', () => Buffer.from(crc32(CORE).toString(16))],
  ]

  test('made to unpack, nest or count without end are judged in bounds, one beside the other', async () => {
    for (const [name, content] of IMAGES) put(name, content())
    await pullUntil(Promise.all(IMAGES.map(([name]) => served.image(name))))
    await untilAtMost(() => residentKib(served) - startKib, GROWTH_KIB, 'KiB more')
  })
})

test('when it is over the ledger is intact and the server ends in order', async () => {
  await pull()
  expect(await served.stop()).toBe(0)
  expect(await inProcess(['audit', folder, '--check'])).toMatchObject({ status: 0 })
  const cut = ledgerEntries(folder).filter((entry) => entry.kind === 'fetch-ended' && entry.ending === 'cut')
  expect(cut).toEqual([])
})
