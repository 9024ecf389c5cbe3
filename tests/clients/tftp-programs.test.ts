/** TFTP clients that people really use, each over the same server: right bytes, and one pull each in the audit. */
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { beforeAll, describe, expect, test } from 'vitest'
import { audit } from '../commands/in-process.ts'
import { needs } from '../needs.ts'
import { run } from './program.ts'
import { freeUdpPort, imageBytes, type Served, serveFiles, stagingFolder, untilAllDone } from './served.ts'

const HOST = '127.0.0.1'

/** A client's arguments to read `name` into `copy`. */
type Arguments = (name: string, copy: string, port: string) => readonly string[]

const curl =
  (...more: string[]): Arguments =>
  (name, copy, port) => ['-sS', ...more, '-o', copy, `tftp://${HOST}:${port}/${name}`]
const busybox =
  (...more: string[]): Arguments =>
  (name, copy, port) => ['tftp', '-g', ...more, '-r', name, '-l', copy, HOST, port]
const hpa: Arguments = (name, copy, port) => ['-m', 'binary', HOST, port, '-c', 'get', name, copy]
const atftp =
  (...options: string[]): Arguments =>
  (name, copy, port) => [
    ...options.flatMap((option) => ['--option', option]),
    ...['-g', '-r', name, '-l', copy, HOST, port],
  ]

/** Bytes by which block numbers pass 65,535 at 512 bytes a block. */
const WRAPPING = 65_536 * 512 + 1000

const CLIENTS = [
  ['curl', 'as it comes', curl(), WRAPPING, { blksize: '512', timeout: '6' }],
  ['curl', 'without options', curl('--tftp-no-options'), 700_000, {}],
  [
    'curl',
    'with larger blocks',
    curl('--tftp-blksize', '1468'),
    3_000_000,
    { blksize: '1468', timeout: '6' },
  ],
  ['busybox', 'as it comes', busybox(), WRAPPING, {}],
  ['busybox', 'with larger blocks', busybox('-b', '1468'), 3_000_000, { blksize: '1468' }],
  // From the package tftp-hpa, whose client asks for no option.
  ['tftp', 'as it comes', hpa, WRAPPING, {}],
  ['tftp', 'a whole number of blocks', hpa, 512 * 2_000, {}],
  ['atftp', 'as it comes', atftp(), WRAPPING, {}],
  ['atftp', 'with a window', atftp('windowsize 16'), WRAPPING, { windowsize: '16' }],
  [
    'atftp',
    'with a window of larger blocks',
    atftp('windowsize 8', 'blksize 1428', 'tsize 0'),
    1428 * 3_000,
    { windowsize: '8', blksize: '1428' },
  ],
] as const

let served: Served
let folder = ''
let port = ''
const whenAllDone = untilAllDone()
const nameOf = (at: number): string => `image-${at}.bin`
const imageOf = (at: number): Buffer => imageBytes(CLIENTS[at]?.[3] ?? 0, nameOf(at))

beforeAll(async () => {
  port = String(await freeUdpPort())
  folder = await stagingFolder({}, whenAllDone)
  const files = Object.fromEntries(CLIENTS.map((_, at) => [nameOf(at), imageOf(at)]))
  served = await serveFiles(files, { cleanUp: whenAllDone, flags: ['--tftp', '--tftp-port', port] })
}, 60_000)

for (const [at, [program, how, args, bytes, options]] of CLIENTS.entries()) {
  test(`${program}, ${how}: ${bytes} bytes`, { timeout: 90_000, ...needs(program) }, async () => {
    const name = nameOf(at)
    const copy = join(folder, name)
    const { status, stderr } = await run(program, args(name, copy, port), { timeoutMs: 80_000 })
    expect({ status, stderr }).toMatchObject({ status: 0 })
    expect(readFileSync(copy).equals(imageOf(at))).toBe(true)
    const begun = await served.entry('fetch-begun', ({ image }) => image?.name === name)
    await served.entry('fetch-ended', ({ id }) => id === begun.id)
    const { pulls, fetches } = await audit(served.folder, ['--image', name])
    expect(pulls).toMatchObject([{ state: 'complete', bytesCovered: bytes }])
    expect(fetches).toMatchObject([{ door: 'tftp', ending: 'delivered', acknowledged: true, options }])
  })
}

/** tftp-hpa's client ends with 0 whatever happens: only its words tell. */
describe('what is refused is said on the console', () => {
  for (const [program, args] of [
    ['busybox', busybox()],
    ['tftp', hpa],
    ['atftp', atftp()],
  ] as const) {
    test(program, needs(program), async () => {
      const copy = join(folder, `absent-${program}`)
      const { stdout, stderr } = await run(program, args('absent.bin', copy, port))
      expect(stdout + stderr).toContain('no image of that name')
    })
  }

  test('tftp in its usual mode, which would change bytes', needs('tftp'), async () => {
    const args = [HOST, port, '-c', 'get', nameOf(1), join(folder, 'changed.bin')]
    const { stdout, stderr } = await run('tftp', args)
    expect(stdout + stderr).toContain('only mode octet (binary) is served')
  })

  test('tftp that writes', needs('tftp'), async () => {
    const args = ['-m', 'binary', HOST, port, '-c', 'put', join(served.folder, nameOf(1)), 'config.txt']
    const { stdout, stderr } = await run('tftp', args)
    expect(stdout + stderr).toContain('nothing can be written')
    expect(await served.entry('fetch-refused', ({ target }) => target === 'config.txt')).toMatchObject({
      door: 'tftp',
      status: 2,
    })
  })
})
