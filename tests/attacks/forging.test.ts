/**
 * Text from outside that would forge a line, steer a terminal, start a formula or become markup, put into every
 * field that takes any: whatever shows it afterwards stays harmless, and each machine-readable output stays whole.
 */
import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { parse } from 'csv-parse/sync'
import { request as httpRequest } from 'undici'
import { beforeAll, describe, expect, test } from 'vitest'
import type { Outcome } from '../clients/program.ts'
import { connectRaw, exchange, parseHead, request } from '../clients/raw-client.ts'
import {
  imageBytes,
  ledgerEntries,
  putFile,
  type ServedProgram,
  serveFolder,
  sha256,
  stagingFolder,
  untilAllDone,
} from '../clients/served.ts'
import { inProcess } from '../commands/in-process.ts'
import { CORE } from './target.ts'
import { commandsIn } from './terminal-commands.ts'

const whenAllDone = untilAllDone()
const MARK = 'forged-7b'
/** Each carries the mark, so that it is known to have arrived where it is looked for. */
const FORGED: readonly string[] = [
  `\u001b[2J\u001b[1;31m${MARK}\u001b[0m`,
  `\u001b]0;${MARK}\u0007\u001b]8;;http://192.0.2.1\u0007`,
  `${MARK}\r\n{"kind":"fetch-ended","ending":"delivered"}`,
  `","ending":"delivered","x":"${MARK}`,
  `\u009b31m${MARK}\u0090\u009d`,
  `\u007f\u0008\u0008\u0008${MARK}`,
  `<img src=x onerror=alert(1)>${MARK}`,
  `</script></style></title><script>alert("${MARK}")</script>`,
  `" onmouseover="alert(1)" x="${MARK}`,
  `=cmd|' /C calc'!A0 ${MARK}`,
  `@SUM(1+1)*cmd ${MARK}`,
  `+1+1 ${MARK}`,
  `-1+1 ${MARK}`,
  `\t=1+1 ${MARK}`,
  `\u202e${MARK}\u202d\u2066\u2069`,
  `${MARK}\u2028\u2029`,
  `{url} {sha256} \${${MARK}} $(id) \`id\``,
  `__proto__ ${MARK}`,
]
const csvCell = (text: string): string => `"${text.replaceAll('"', '""')}"`

let served: ServedProgram
let folder = ''
let page = ''
let screen = ''

beforeAll(async () => {
  folder = await stagingFolder({}, whenAllDone)
  putFile(folder, 'core.bin', CORE)
  if (process.platform !== 'win32') {
    // What may stand in a file name: no slash, no NUL, at most 255 bytes.
    for (const [nth, text] of FORGED.entries())
      putFile(folder, `${text.replaceAll('/', '_')}.${nth}.bin`, imageBytes(500 + nth, text))
  }
  const [visitText = ''] = FORGED
  const texts = Object.fromEntries(
    ['engineer', 'customer', 'site', 'changeReference', 'approver'].map((key, nth) => [
      key,
      FORGED[nth * 3] ?? visitText,
    ]),
  )
  const paste = Object.fromEntries(FORGED.filter((text) => !/\p{Cc}/u.test(text)).map((text) => [text, text]))
  writeFileSync(join(folder, 'fetchproof.json'), JSON.stringify({ visit: texts, paste }))
  const rows = FORGED.map((text, nth) =>
    [`device ${nth} ${text}`, `127.0.0.${nth + 1}`, 'core.bin', text, text, text, text, text]
      .map(csvCell)
      .join(','),
  )
  const heading = ['device', 'address', 'image', 'model', 'serial', 'version_before', 'note', FORGED[6] ?? '']
    .map(csvCell)
    .join(',')
  writeFileSync(join(folder, 'visit.csv'), `${heading}\n${rows.join('\n')}\n`)
  const lines = FORGED.map((text) => `# ${text}\n${sha256(CORE)}  ${text}\n${text}\n`)
  writeFileSync(join(folder, 'SHA256SUMS'), lines.join(''))
  served = await serveFolder(folder, { cleanUp: whenAllDone, flags: ['--format', 'text', '--list'] })
  served.process.stdout?.on('data', (text: Buffer) => {
    screen += text.toString()
  })
  await untilOffered()
  for (const text of FORGED) await ask(`/core.bin`, text)
  for (const text of FORGED) await ask(`/${encodeURIComponent(text)}`, 'plain')
  for (const text of FORGED) await ask(`/${text}`, 'plain')
  for (const text of FORGED) await ask('/SHA256SUMS', text)
  page = await snapshotOf(folder)
  for (const [nth, text] of FORGED.slice(0, 6).entries()) {
    await inProcess([
      'observe',
      `device ${nth} ${text}`,
      folder.length > 0 ? '--folder' : '',
      folder,
      '--note',
      text,
    ])
    await inProcess([
      'match',
      `${text} ${sha256(CORE)}`,
      '--device',
      `device ${nth} ${text}`,
      '--folder',
      folder,
    ])
  }
  await served.stop()
}, 90_000)

async function ask(target: string, agent: string): Promise<void> {
  const client = await connectRaw(served.port)
  client.send(Buffer.from(`GET ${target} HTTP/1.1\r\nUser-Agent: ${agent}\r\nReferer: ${agent}\r\n\r\n`))
  await client.readToEnd()
  await client.close()
}

/** Standard output is for people here and holds no entry to wait for. */
async function untilOffered(): Promise<void> {
  const deadline = Date.now() + 20_000
  for (;;) {
    const { raw } = await exchange(served.port, request('/core.bin', ['Connection: close'], 'HEAD'))
    const status = parseHead(raw)?.status
    if (status === 200) return
    if (Date.now() > deadline) throw new Error(`core.bin is not offered: ${status}`)
    await pause(50)
  }
}

async function snapshotOf(staging: string): Promise<string> {
  const lock = JSON.parse(readFileSync(join(staging, '.fetchproof', 'lock.json'), 'utf8')) as {
    pagePort: number
  }
  const { body } = await httpRequest(`http://127.0.0.1:${lock.pagePort}/api/snapshot`)
  return body.text()
}

/** Of Unicode's bidirectional and line controls, and of ECMA-48: in none of the outputs, in whatever form. */
function expectHarmless({ status, stdout, stderr }: Outcome): void {
  expect([0, 1]).toContain(status)
  expect(stdout).toContain(MARK)
  expect(commandsIn(stdout)).toEqual([])
  expect(commandsIn(stderr)).toEqual([])
}

test('the screen of the one who serves obeys nothing', () => {
  expect(screen).toContain(MARK)
  // The bell (07) is the program's own.
  expect(commandsIn(screen).filter((code) => code !== 7)).toEqual([])
  expect(screen.split('\n').filter((line) => line.startsWith('{"kind"'))).toEqual([])
  expect(commandsIn(served.stderr())).toEqual([])
})

test('the ledger has each text as one value of one line', () => {
  const entries = ledgerEntries(folder)
  expect(JSON.stringify(entries)).toContain(MARK)
  const ledger = readFileSync(join(folder, '.fetchproof', 'ledger.ndjson'), 'utf8')
  expect(commandsIn(ledger).filter((code) => code < 0x20)).toEqual([])
  expect(entries.map(({ seq }) => seq)).toEqual(entries.map((_entry, at) => at + 1))
})

describe('commands in words', () => {
  test.each([['audit'], ['audit', '--fetches'], ['audit', '--check'], ['images']])(
    '%s %s',
    async (command, ...flags) => {
      const outcome = await inProcess([command, folder, ...flags])
      if (flags[0] === '--check') expect(commandsIn(outcome.stdout)).toEqual([])
      else expectHarmless(outcome)
    },
  )

  test.each(FORGED.map((text) => [text]))('match and observe of %j', async (text) => {
    const matched = await inProcess(['match', `${text} ${sha256(CORE)} ${text}`, '--folder', folder])
    expect(commandsIn(matched.stdout + matched.stderr)).toEqual([])
    const observed = await inProcess(['observe', text, '--folder', folder, '--note', text, '--before', text])
    expect(commandsIn(observed.stdout + observed.stderr)).toEqual([])
    const lifted = await inProcess(['lift', text, '--folder', folder, '--reason', text])
    expect(commandsIn(lifted.stdout + lifted.stderr)).toEqual([])
    const missing = await inProcess(['audit', `${folder}/${text}`])
    expect(commandsIn(missing.stdout + missing.stderr)).toEqual([])
    const wrong = await inProcess(['audit', folder, '--since', text])
    expect(commandsIn(wrong.stdout + wrong.stderr)).toEqual([])
    const unknown = await inProcess([text])
    expect(commandsIn(unknown.stdout + unknown.stderr)).toEqual([])
  })
})

describe('tables for spreadsheets (RFC 4180)', () => {
  test.each([
    ['audit', ['--format', 'csv']],
    ['audit', ['--fetches', '--format', 'csv']],
    ['report', ['--format', 'csv']],
  ])('%s %s begins no cell with a formula', async (command, flags) => {
    const outcome = await inProcess([command, folder, ...flags])
    expect([0, 1], outcome.stderr).toContain(outcome.status)
    expect(outcome.stdout).toContain(MARK)
    const rows = parse(outcome.stdout, { bom: true, relax_column_count: true }) as string[][]
    const cells = rows.flat()
    expect(cells.filter((cell) => /^[=+\-@\t\r]/.test(cell) && !/^-?\d+(\.\d+)?$/.test(cell))).toEqual([])
    expect(commandsIn(outcome.stdout).filter((code) => code !== 0x0d)).toEqual([])
  })
})

describe('for programs', () => {
  test.each([
    ['audit', ['--format', 'json']],
    ['images', ['--format', 'json']],
    ['report', ['--format', 'json']],
  ])('%s %s is one JSON value', async (command, flags) => {
    const { stdout } = await inProcess([command, folder, ...flags])
    expect(JSON.stringify(JSON.parse(stdout))).toContain(MARK)
    expect(commandsIn(stdout)).toEqual([])
  })

  test('the snapshot of the page is one JSON value', () => {
    expect(JSON.stringify(JSON.parse(page))).toContain(MARK)
    expect(commandsIn(page).filter((code) => code < 0x20)).toEqual([])
  })
})

test('the report as a page has no element, attribute or address that came from outside', async () => {
  const { stdout } = await inProcess(['report', folder, '--format', 'html'])
  expect(stdout).toContain(MARK)
  expect(stdout).not.toMatch(/<img|<script|<\/script|<a [^>]*192\.0\.2\.1/i)
  // No tag carries an attribute that listens, and none loads anything.
  expect(stdout.match(/<[a-z][^>]*\son\w+\s*=/gi) ?? []).toEqual([])
  expect(stdout.match(/<[a-z][^>]*\s(?:src|href)\s*=\s*"?(?!#)[^"#][^>]*/gi) ?? []).toEqual([])
  expect(commandsIn(stdout)).toEqual([])
})
