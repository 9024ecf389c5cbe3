/** File names as people have them, and every way in which a client may write them (RFC 3986 sections 2.1 and 2.3). */
import { beforeAll, describe, expect, test } from 'vitest'
import { exchange, parseHead } from './raw-client.ts'
import { imageBytes, type Served, serveFiles, sha256, untilAllDone } from './served.ts'

const NFC = 'Bücherei Süd é.bin'.normalize('NFC')
const NFD = 'Zweigstelle Größe ñ.bin'.normalize('NFD')
const LONG = `${'Filiale_'.repeat(31)}abc.bin`
const NAMES = [
  'core+access.bin',
  'switch image 4.2.bin',
  '100% final.bin',
  'core%41.bin',
  'rev#7.bin',
  'which?.bin',
  'a&b=c;d.bin',
  "it's (1) [new].bin",
  NFC,
  NFD,
  LONG,
  'Mixed-CASE_name~.bin',
  'sub dir/ünder/core image.bin',
  '図書館.bin',
  'Süd.bin',
  'back\\slash "quoted".bin',
]
const FILES = Object.fromEntries(NAMES.map((name, index) => [name, imageBytes(1000 + index, name)]))

let served: Served

const whenAllDone = untilAllDone()

beforeAll(async () => {
  expect(Buffer.byteLength(LONG)).toBe(255)
  served = await serveFiles(FILES, { cleanUp: whenAllDone })
})

async function get(target: string | Buffer): Promise<{ status: number | undefined; sha256: string }> {
  const bytes = Buffer.concat([
    Buffer.from('GET '),
    Buffer.from(target),
    Buffer.from(' HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n'),
  ])
  const { raw, client } = await exchange(served.port, bytes)
  return { status: parseHead(raw)?.status, sha256: client.bodySha256() }
}

/** Every byte escaped, unreserved ones too (RFC 3986 section 6.2.2.2: the same address). */
function allEscaped(text: string): string {
  return [...Buffer.from(text)].map((byte) => `%${byte.toString(16).padStart(2, '0')}`).join('')
}

const segments = (name: string, escaped: (text: string) => string): string =>
  `/${name.split('/').map(escaped).join('/')}`

describe.each(NAMES)('%s', (name) => {
  const whole = { status: 200, sha256: sha256(FILES[name] ?? Buffer.alloc(0)) }

  test('has a plain path that a console can type, and that needs no escaping', async () => {
    const { plainPath, digestPath } = await served.image(name)
    expect(plainPath).toMatch(/^\/[A-Za-z0-9._/-]+\.bin$/)
    expect(plainPath.length).toBeLessThanOrEqual(63)
    expect(digestPath).toBe(`/${whole.sha256.slice(0, 8)}.bin`)
    expect(await get(plainPath)).toEqual(whole)
    expect(await get(digestPath)).toEqual(whole)
  })

  test('is found by its own name in every usual escaping', async () => {
    const targets = {
      encodeURIComponent: segments(name, encodeURIComponent),
      'encodeURIComponent in lower case': segments(name, (text) =>
        encodeURIComponent(text).replace(/%../g, (triple) => triple.toLowerCase()),
      ),
      'every byte escaped': segments(name, allEscaped),
      'slash doubled': `/${segments(name, encodeURIComponent).replaceAll('/', '//')}`.slice(1),
      NFC: segments(name.normalize('NFC'), encodeURIComponent),
      NFD: segments(name.normalize('NFD'), encodeURIComponent),
      ...(/[#?]/.test(name) ? {} : { encodeURI: `/${encodeURI(name)}` }),
      ...(/[ #?"\\]|%41/.test(name) ? {} : { 'raw UTF-8': `/${name}` }),
      ...(name.includes('+') ? { 'literal +': `/${name}`, '%2B': `/${name.replace('+', '%2B')}` } : {}),
    }
    const found: Record<string, unknown> = {}
    for (const [how, target] of Object.entries(targets)) found[how] = await get(target)
    expect(found).toEqual(Object.fromEntries(Object.keys(targets).map((how) => [how, whole])))
  })
})

test('no two images share a path', async () => {
  const paths = await Promise.all(NAMES.map(async (name) => (await served.image(name)).plainPath))
  expect(new Set(paths.map((path) => path.toLowerCase())).size).toBe(NAMES.length)
})

test('another letter case is found while it is unambiguous, and a near miss is told by name', async () => {
  const name = 'Mixed-CASE_name~.bin'
  const { plainPath } = await served.image(name)
  expect(await get(plainPath.toUpperCase())).toMatchObject({ status: 200 })
  const { client } = await exchange(served.port, `GET ${plainPath.replace('name', 'nme')} HTTP/1.0\r\n\r\n`)
  const refused = await served.refused(client.port)
  expect(refused.status).toBe(404)
  expect(refused.hint ?? '').toContain(plainPath)
})
