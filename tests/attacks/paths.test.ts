/**
 * What must not be served, asked for in every spelling that some system takes for the same file: escapings,
 * backslashes, drive letters and device names (Microsoft Learn, "Naming Files, Paths, and Namespaces"), alternate
 * streams, overlong UTF-8 (RFC 3629 section 3), full-width letters, trailing dots and spaces.
 */
import { mkdirSync, symlinkSync } from 'node:fs'
import { join } from 'node:path'
import { beforeAll, expect, test } from 'vitest'
import { parseHead } from '../clients/raw-client.ts'
import { putFile, type ServedProgram, untilAllDone } from '../clients/served.ts'
import { say } from './saying.ts'
import { CORE, serveCore } from './target.ts'

const CANARY = 'canary-c41d-must-never-leave'
const AT_ONCE = 24
const whenAllDone = untilAllDone()
let served: ServedProgram

/** Within the staging folder, and beside it. */
const FORBIDDEN = [
  '../canary.bin',
  '.secret.bin',
  '.hidden/inner.bin',
  '.fetchproof/ledger.ndjson',
  '.fetchproof/lock.json',
  '.fetchproof/catalogue.json',
  'visit.csv',
  'fetchproof.json',
  'half.bin.part',
  'outside.bin',
  'outside/canary.bin',
  'sub/../.secret.bin',
  'core.bin/../../canary.bin',
]

beforeAll(async () => {
  ;({ served } = await serveCore(whenAllDone, (folder) => {
    for (const each of ['sub', '.hidden']) mkdirSync(join(folder, each))
    const canary = Buffer.from(`${CANARY}\n`.repeat(50))
    for (const name of ['../canary.bin', '.secret.bin', '.hidden/inner.bin', 'half.bin.part'])
      putFile(folder, name, canary)
    putFile(folder, 'visit.csv', Buffer.from(`device,note\nsw1,${CANARY}\n`))
    putFile(folder, 'fetchproof.json', Buffer.from(JSON.stringify({ visit: { engineer: CANARY } })))
    if (process.platform !== 'win32') {
      symlinkSync('../canary.bin', join(folder, 'outside.bin'))
      symlinkSync('..', join(folder, 'outside'))
    }
  }))
})

type Spelling = (path: string) => string

const hex = (text: string): string =>
  [...Buffer.from(text)].map((byte) => `%${byte.toString(16).padStart(2, '0')}`).join('')

const SPELLINGS: readonly Spelling[] = [
  (path) => path,
  (path) => hex(path),
  (path) => hex(path).toUpperCase(),
  (path) => hex(hex(path)),
  (path) => hex(hex(hex(path))),
  (path) => path.replaceAll('.', '%2e'),
  (path) => path.replaceAll('.', '%252e'),
  (path) => path.replaceAll('/', '%2f'),
  (path) => path.replaceAll('/', '%5c'),
  (path) => path.replaceAll('/', '\\'),
  (path) => path.replaceAll('/', '%252f'),
  (path) => path.replaceAll('/', '//'),
  (path) => path.replaceAll('/', '/./'),
  (path) => path.replaceAll('/', '/.//'),
  (path) => path.replaceAll('.', '%c0%ae').replaceAll('/', '%c0%af'),
  (path) => path.replaceAll('.', '%e0%80%ae').replaceAll('/', '%e0%80%af'),
  (path) => path.replaceAll('.', '%f0%80%80%ae').replaceAll('/', '%f0%80%80%af'),
  (path) => path.replaceAll('.', '\xc0\xae').replaceAll('/', '\xc0\xaf'),
  (path) => path.replaceAll('.', '%u002e').replaceAll('/', '%u2215'),
  (path) => path.replaceAll('.', '%ef%bc%8e').replaceAll('/', '%ef%bc%8f'),
  (path) =>
    [...path]
      .map((letter) =>
        /[a-z]/.test(letter) ? `%ef%bd%${(0x20 + letter.charCodeAt(0)).toString(16)}` : letter,
      )
      .join(''),
  (path) => path.toUpperCase(),
  (path) => path.replace(/[a-z]/, (letter) => letter.toUpperCase()),
]

const AROUND: readonly Spelling[] = [
  (path) => `/${path}`,
  (path) => path,
  (path) => `//${path}`,
  (path) => `/./${path}`,
  (path) => `/sub/../${path}`,
  (path) => `/sub/%2e%2e/${path}`,
  (path) => `/core.bin/../${path}`,
  (path) => `/\\${path}`,
  (path) => `http://a/${path}`,
  (path) => `file:///${path}`,
  (path) => `/C:/${path}`,
  (path) => `/C:${path}`,
  (path) => `/%5c%5c.%5c${path}`,
  (path) => `/%5c%5c%3f%5cC:%5c${path}`,
  (path) => `//localhost/c$/${path}`,
  (path) => `/${path}.`,
  (path) => `/${path}...`,
  (path) => `/${path}%20`,
  (path) => `/${path}%20.%20`,
  (path) => `/${path}%00`,
  (path) => `/${path}%00.bin`,
  (path) => `/core.bin%00${path}`,
  (path) => `/${path}::$DATA`,
  (path) => `/${path}:$DATA`,
  (path) => `/${path}%3a%3a%24DATA`,
  (path) => `/${path}:x.bin`,
  (path) => `/${path}/`,
  (path) => `/${path};.bin`,
  (path) => `/${path}?core.bin`,
  (path) => `/${path}#core.bin`,
  (path) => `/${path}.sha256`,
  (path) => `/~/${path}`,
  (path) => `/%2e/${path}%2f%2e`,
]

/** Names that Windows keeps for devices, bare and disguised. */
const DEVICES = ['CON', 'PRN', 'AUX', 'NUL', 'COM1', 'COM9', 'LPT1', 'CONIN$', 'CLOCK$', 'COM\xb9']
  .flatMap((name) => [
    name,
    name.toLowerCase(),
    `${name}.bin`,
    `${name}.`,
    `${name}%20`,
    `${name}:`,
    `sub/${name}`,
    `core.bin/${name}`,
  ])
  .map((name) => `/${name}`)

function targets(): string[] {
  const spelt = FORBIDDEN.flatMap((path) => SPELLINGS.map((spell) => spell(path)))
  // Each spelling in every surrounding of the likeliest, and the others in turn: all pairs would be 10,000.
  const all = spelt.flatMap((path, at) =>
    AROUND.filter((_around, nth) => nth < 3 || (at + nth) % 8 === 0).map((around) => around(path)),
  )
  return [...new Set([...all, ...DEVICES])]
}

async function wrongWith(target: string, nth: number): Promise<string | undefined> {
  const method = nth % 7 === 0 ? 'HEAD' : 'GET'
  const text = `${method} ${target} HTTP/1.${nth % 2}\r\nHost: a\r\nConnection: close\r\n\r\n`
  const { raw } = await say(served.port, { text })
  const head = parseHead(raw)
  if (raw.includes(CANARY)) return `${target}: the canary has left`
  if (head === undefined) return raw.length === 0 ? undefined : `${target}: no HTTP`
  const body = raw.subarray(head.bytes)
  // A query, a fragment, or a wrong letter case may well leave the name of the image that is offered.
  if (head.status === 200 && (body.equals(CORE) || method === 'HEAD')) {
    return /core/i.test(target) ? undefined : `${target}: got the image`
  }
  if (body.length > 0 || ![400, 404].includes(head.status)) return `${target}: ${head.statusLine}`
  return undefined
}

test('thousands of spellings of what is outside, hidden or reserved get nothing', {
  timeout: 120_000,
}, async () => {
  const all = targets()
  expect(all.length).toBeGreaterThan(1500)
  const wrong: string[] = []
  for (let at = 0; at < all.length; at += AT_ONCE) {
    const batch = all.slice(at, at + AT_ONCE)
    const found = await Promise.all(batch.map((target, nth) => wrongWith(target, at + nth)))
    wrong.push(...found.filter((each) => each !== undefined))
  }
  expect(wrong).toEqual([])
  expect(served.process.exitCode).toBe(null)
  const offered = served.entries.flatMap((entry) => (entry.kind === 'image' ? [entry.name] : []))
  expect(offered).toEqual(['core.bin'])
})
