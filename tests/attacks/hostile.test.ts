/**
 * Requests that nobody sends by mistake. Over bare sockets, since every HTTP library tidies up what it sends.
 * Whatever comes: nothing outside the catalogue goes out, the program lives, and it is written down who asked.
 */
import { mkdirSync, readdirSync, readFileSync, symlinkSync } from 'node:fs'
import { basename, dirname, join } from 'node:path'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import type { Entry } from '../../server/ledger/entries.ts'
import { ask, connectRaw, exchange, parseHead, request } from '../clients/raw-client.ts'
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
import { CORE, serveCore } from './target.ts'
import { commandsIn } from './terminal-commands.ts'

const CANARY = 'canary-7f3a-must-never-leave'
const IMAGES = { 'core.bin': CORE, 'sub/deep.bin': imageBytes(3000, 'deep') }
const REQUEST_MS = 2000

let served: ServedProgram
let folder = ''
let answers = 0

const whenAllDone = untilAllDone()

const HIDDEN = [
  '../canary.bin',
  '.secret.bin',
  '.hidden/inner.bin',
  'visit.csv',
  'fetchproof.json',
  'notes.txt',
]

beforeAll(async () => {
  const prepare = (inside: string, outer: string): void => {
    for (const each of ['sub', '.hidden']) mkdirSync(join(inside, each))
    putFile(inside, 'sub/deep.bin', IMAGES['sub/deep.bin'])
    for (const name of HIDDEN) putFile(inside, name, Buffer.from(contentOf(name)))
    symlinkSync(join(outer, 'canary.bin'), join(inside, 'link.bin'))
    symlinkSync(outer, join(inside, 'linked'))
    symlinkSync('/etc', join(inside, 'etc'))
  }
  ;({ served, folder } = await serveCore(whenAllDone, prepare, ['--request-ms', String(REQUEST_MS)]))
  await served.image('sub/deep.bin')
})

function contentOf(name: string): string {
  if (name === 'visit.csv') return `device,note\nsw1,${CANARY}\n`
  if (name === 'fetchproof.json') return JSON.stringify({ visit: { engineer: CANARY } })
  return `${CANARY}\n`
}

type Hostile = readonly [what: string, bytes: string | Buffer]

const OUTSIDE = ['canary.bin', 'staging/.secret.bin', 'staging/.fetchproof/ledger.ndjson', 'etc/passwd']
const DOTS = [
  '..',
  '%2e%2e',
  '%2E%2E',
  '.%2e',
  '%2e.',
  '..%00',
  '%252e%252e',
  '%25%32%65%25%32%65',
  '..;',
  '%c0%ae%c0%ae', // overlong UTF-8 of a dot (RFC 3629 section 3 forbids it)
  '%e0%80%ae%e0%80%ae',
  '%f0%80%80%ae%f0%80%80%ae',
  '%uff0e%uff0e',
  '%ef%bc%8e%ef%bc%8e', // full-width dots, which NFKD folds to plain ones
  '\u2025', // two-dot leader, likewise
  '....',
]
const SLASHES = ['/', '%2f', '%5c', '\\', '%252f', '%c0%af', '%ef%bc%8f']

function traversals(): Hostile[] {
  return DOTS.flatMap((dots) =>
    SLASHES.flatMap((slash) =>
      [1, 4].map((depth): Hostile => {
        const target = `/${`${dots}${slash}`.repeat(depth)}${OUTSIDE[depth === 1 ? 0 : 3]}`
        return [`traversal ${target}`, Buffer.from(`GET ${target} HTTP/1.1\r\nHost: a\r\n\r\n`)]
      }),
    ),
  )
}

function targets(): Hostile[] {
  const list = [
    ...[
      '/../canary.bin',
      '/sub/../../canary.bin',
      '/./../canary.bin',
      '/core.bin/../../canary.bin',
      '..',
      '../canary.bin',
    ],
    ...[
      '/.secret.bin',
      '/%2esecret.bin',
      '/.hidden/inner.bin',
      '/sub/../.secret.bin',
      '/.fetchproof/ledger.ndjson',
    ],
    ...['/.fetchproof/catalogue.json', '/.fetchproof/lock', '/.fetchproof/', '/.fetchproof/reserve'],
    ...[
      '/link.bin',
      '/linked/canary.bin',
      '/etc/passwd',
      '/linked/staging/core.bin',
      '//etc/passwd',
      '/etc//passwd',
    ],
    ...[
      '/visit.csv',
      '/fetchproof.json',
      '/notes.txt',
      '/SHA256SUMS',
      '/.sha256',
      '/..sha256',
      '/canary.bin.sha256',
    ],
    ...[
      '/',
      '//',
      '/sub',
      '/sub/',
      '/%',
      '/%2',
      '/%zz',
      '/%00',
      '/core.bin%00',
      '/core.bin%00.txt',
      '/%00core.bin',
    ],
    ...[
      '/core.bin/',
      '/core.bin/x',
      '/core.bin%2f',
      '/core.bin::$DATA',
      '/CON',
      '/NUL.bin',
      '/C:/Windows/win.ini',
    ],
    ...[
      '/core.bi*',
      '/core.bi?',
      '/*.bin',
      '/{core}.bin',
      '/`id`',
      '/$(id)',
      '/|id',
      '/;id',
      "/' OR 1=1 --",
      '/<script>',
    ],
    ...[
      '/api',
      '/api/snapshot',
      '/metrics',
      '/index.html',
      '/favicon.ico',
      '/robots.txt',
      '/.git/config',
      '/.env',
    ],
    ...[
      'file:///etc/passwd',
      'http://',
      'http:///',
      'http:// /core.bin',
      'ftp://a/core.bin',
      'javascript:alert(1)',
      '*',
    ],
    ...[
      '//127.0.0.1/../canary.bin',
      '\\\\127.0.0.1\\share',
      '/\u202egnp.bin',
      '/__proto__',
      '/constructor',
      '/toString',
    ],
    ...[
      `/${'a'.repeat(5000)}`,
      `/${'a/'.repeat(3000)}`,
      `/${'%41'.repeat(4000)}`,
      `/${'../'.repeat(2000)}etc/passwd`,
    ],
    ...[`/${'a'.repeat(100_000)}`, `/core.bin?${'q'.repeat(9000)}`, `/${'/'.repeat(9000)}core.biN.x`],
  ]
  return list.map((target): Hostile => {
    const name = target.length > 60 ? `${target.slice(0, 60)}… (${target.length})` : target
    return [`target ${name}`, Buffer.from(`GET ${target} HTTP/1.1\r\nHost: a\r\n\r\n`)]
  })
}

function lines(): Hostile[] {
  const flood = Array.from({ length: 5000 }, (_none, index) => `X-${index}: ${index}\r\n`).join('')
  return [
    ['bare LF', 'GET /x.bin HTTP/1.1\nHost: a\n\n'],
    ['bare CR', 'GET /x.bin HTTP/1.1\rHost: a\r\r'],
    ['garbage', Buffer.from('00ff80fe0d0a0d0a', 'hex')],
    ['random bytes', imageBytes(3000, 'random')],
    ['a TLS hello', Buffer.from('16030100c8010000c40303', 'hex')],
    ['an SSH banner', 'SSH-2.0-probe\r\n'],
    ['an SMB negotiation', Buffer.from('00000054ff534d4272000000001801280000', 'hex')],
    ['the preface of HTTP/2 (RFC 9113 section 3.4)', 'PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n'],
    ['HTTP/0.9', 'GET /x.bin\r\n'],
    ['HTTP/9.9', 'GET /x.bin HTTP/9.9\r\n\r\n'],
    ['no target', 'GET  HTTP/1.1\r\n\r\n'],
    ['no method', ' /core.bin HTTP/1.1\r\n\r\n'],
    ['a method in lower case', 'get /core.bin HTTP/1.1\r\nHost: a\r\n\r\n'],
    ['a method of 9,000 letters', `${'G'.repeat(9000)} / HTTP/1.1\r\n\r\n`],
    ['a space too many', 'GET /x y.bin HTTP/1.1\r\nHost: a\r\n\r\n'],
    ['a NUL in the line', 'GET /x\0.bin HTTP/1.1\r\nHost: a\r\n\r\n'],
    ['a field without colon', 'GET /x.bin HTTP/1.1\r\nHost\r\n\r\n'],
    ['a space before the colon (RFC 9112 section 5.1)', 'GET /x.bin HTTP/1.1\r\nHost : a\r\n\r\n'],
    ['a folded field (RFC 9112 section 5.2)', 'GET /x.bin HTTP/1.1\r\nHost: a\r\nX: a\r\n b\r\n\r\n'],
    ['two Hosts', 'GET /x.bin HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n'],
    ['a NUL in a field', 'GET /x.bin HTTP/1.1\r\nHost: a\0b\r\n\r\n'],
    ['5,000 fields', `GET /x.bin HTTP/1.1\r\n${flood}\r\n`],
    ['a field of 200,000 bytes', `GET /x.bin HTTP/1.1\r\nX: ${'x'.repeat(200_000)}\r\n\r\n`],
    ['an endless line without end', 'G'.repeat(300_000)],
    ['CONNECT', 'CONNECT 127.0.0.1:22 HTTP/1.1\r\nHost: 127.0.0.1:22\r\n\r\n'],
    ['OPTIONS *', 'OPTIONS * HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n'],
    ['TRACE', 'TRACE /core.bin HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n'],
    [
      'Upgrade to WebSocket',
      'GET /x.bin HTTP/1.1\r\nHost: a\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\r\n',
    ],
    [
      'Upgrade to h2c',
      'GET /x.bin HTTP/1.1\r\nHost: a\r\nConnection: Upgrade, HTTP2-Settings\r\nUpgrade: h2c\r\n\r\n',
    ],
    ['an unknown Expect', 'GET /x.bin HTTP/1.1\r\nHost: a\r\nExpect: wonders\r\n\r\n'],
    [
      'Expect: 100-continue',
      'POST /x.bin HTTP/1.1\r\nHost: a\r\nExpect: 100-continue\r\nContent-Length: 9\r\n\r\n',
    ],
    ['a huge Content-Length', 'POST /x.bin HTTP/1.1\r\nHost: a\r\nContent-Length: 99999999999999\r\n\r\nx'],
    ['a Content-Length that is none', 'GET /x.bin HTTP/1.1\r\nHost: a\r\nContent-Length: -1\r\n\r\n'],
    ['two Content-Lengths', 'GET /x.bin HTTP/1.1\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n'],
    [
      'length and chunks (RFC 9112 section 6.1)',
      'POST /x.bin HTTP/1.1\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n',
    ],
    [
      'a chunk of impossible size',
      'POST /x.bin HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: chunked\r\n\r\nffffffffffffffff1\r\n',
    ],
    ['an encoding unheard of', 'POST /x.bin HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: cow\r\n\r\n'],
    ['a PUT of a file', 'PUT /new.bin HTTP/1.1\r\nHost: a\r\nContent-Length: 4\r\n\r\nevil'],
    ['a DELETE of an image', 'DELETE /core.bin HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n'],
    [
      'a smuggled second request',
      `POST /x.bin HTTP/1.1\r\nHost: a\r\nContent-Length: 60\r\n\r\n${request('/y.bin')}`,
    ],
    [
      'an override of the method',
      'POST /x.bin HTTP/1.1\r\nHost: a\r\nX-HTTP-Method-Override: GET\r\nContent-Length: 0\r\n\r\n',
    ],
    [
      'rewriting fields',
      'GET /x.bin HTTP/1.1\r\nHost: a\r\nX-Original-URL: /../canary.bin\r\nX-Forwarded-For: 192.0.2.1\r\n\r\n',
    ],
  ]
}

/** What would break a log line, a terminal, a table or a page if it were put there as it came. */
const FORGED = [
  "=cmd|' /C calc'!A0",
  '\x1b[2J\x1b[1;31mdelivered\x1b[0m',
  '\x1b]0;title\x07',
  '","ending":"delivered","x":"',
  '\\u000a{"kind":"fetch-ended"}',
  '\x9b31m',
  '\x7f\x08\x08\x08',
  '<img src=x onerror=alert(1)>',
  '@SUM(1+1)*cmd',
  '\u202etxt.exe',
  '\u2028\u2029',
]

function forgeries(): Hostile[] {
  return FORGED.flatMap((text, index): Hostile[] => [
    [
      `forged user agent ${index}`,
      Buffer.from(`GET /f${index}.bin HTTP/1.1\r\nHost: a\r\nUser-Agent: ${text}\r\n\r\n`),
    ],
    [
      `forged range ${index}`,
      Buffer.from(`GET /g${index}.bin HTTP/1.1\r\nHost: a\r\nRange: ${text}\r\n\r\n`),
    ],
    [
      `forged target, escaped ${index}`,
      `GET /${encodeURIComponent(`\r\n${text}`)} HTTP/1.1\r\nHost: a\r\n\r\n`,
    ],
    [`forged target, raw ${index}`, Buffer.from(`GET /h${text} HTTP/1.1\r\nHost: a\r\n\r\n`)],
    [
      `forged in bytes that are no UTF-8 ${index}`,
      Buffer.from(`GET /\xff\xfe${text} HTTP/1.1\r\nHost: a\r\n\r\n`, 'latin1'),
    ],
  ])
}

function ranges(): Hostile[] {
  return [
    `bytes=${'0-0,'.repeat(3000)}0-0`,
    `bytes=${Array.from({ length: 1300 }, (_none, index) => `${index}-`).join(',')}`,
    'bytes=18446744073709551615-18446744073709551616',
    'bytes=-9223372036854775808',
    'bytes=9007199254740993-',
    'bytes=1e3-',
    'bytes=\t0-5',
  ].map((range) => [
    `range ${range.slice(0, 30)}`,
    `GET /core.bin HTTP/1.1\r\nHost: a\r\nRange: ${range}\r\n\r\n`,
  ])
}

// Those that the record is looked at for come first: of a flood of wrong names only the first ones are written out.
const ALL: Hostile[] = [...forgeries(), ...traversals(), ...targets(), ...lines(), ...ranges()]

/** Sends it, half-closes so that nothing is waited for, and returns the answer; a reset is an answer too. */
async function provoke(bytes: string | Buffer): Promise<Buffer> {
  const client = await connectRaw(served.port, { keep: true })
  client.send(bytes)
  if (!client.socket.destroyed) await Promise.race([client.halfClose(), client.readToEnd()])
  await client.readToEnd()
  await client.close()
  return client.raw()
}

function isWholeImage(body: Buffer): boolean {
  return Object.values(IMAGES).some((image) => image.equals(body) || image.includes(body))
}

function recorded(entries: readonly Entry[]): number {
  return entries.reduce((sum, entry) => {
    if (entry.kind === 'fetch-begun') return sum + 1
    return entry.kind === 'fetch-refused' ? sum + (entry.count ?? 1) : sum
  }, 0)
}

test(`${ALL.length} hostile requests get nothing that is not an image, and each is recorded`, {
  timeout: 90_000,
}, async () => {
  expect(ALL.length).toBeGreaterThanOrEqual(200)
  const wrong: string[] = []
  const statuses = new Map<number | undefined, number>()
  for (const [what, bytes] of ALL) {
    const raw = await provoke(bytes)
    answers += 1
    const head = parseHead(raw)
    statuses.set(head?.status, (statuses.get(head?.status) ?? 0) + 1)
    if (raw.includes(CANARY) || raw.includes('root:')) wrong.push(`${what}: something from outside went out`)
    if (raw.length > 0 && head === undefined) wrong.push(`${what}: an answer that is no HTTP`)
    if (head === undefined) continue
    const body = raw.subarray(head.bytes)
    const partial = [200, 206].includes(head.status)
    if (partial && !(body.length > 0 && isWholeImage(body)))
      wrong.push(`${what}: ${head.statusLine}, not an image`)
    if (!partial && body.length > 0 && isWholeImage(body))
      wrong.push(`${what}: ${head.statusLine} with image bytes`)
    const documented = [501, 505].includes(head.status) || (head.status < 500 && head.status >= 200)
    if (!documented) wrong.push(`${what}: ${head.statusLine}`)
    if (/node|fastify|\/server\/|at .*\.js/i.test(raw.toString('latin1').slice(0, head.bytes)))
      wrong.push(`${what}: the answer tells of its inside`)
  }
  expect(wrong).toEqual([])
  expect(served.process.exitCode).toBe(null)
  expect((statuses.get(404) ?? 0) + (statuses.get(400) ?? 0)).toBeGreaterThan(100)
})

test('a good client is served as ever afterwards, and so it is during a flood', async () => {
  const noise = Promise.all(lines().map(([, bytes]) => provoke(bytes)))
  const { raw, client } = await exchange(served.port, request('/core.bin'))
  answers += lines().length + 1
  expect(parseHead(raw)?.status).toBe(200)
  expect(client.bodySha256()).toBe(sha256(IMAGES['core.bin']))
  expect((await served.ended(client.port)).ending).toBe('delivered')
  await noise
})

test('two hundred connections that say nothing do not keep a good client out', async () => {
  const silent = await Promise.all(Array.from({ length: 200 }, () => connectRaw(served.port)))
  onTestFinished(async () => {
    await Promise.all(silent.map((client) => client.reset()))
  })
  const { client } = await exchange(served.port, request('/core.bin'))
  answers += 1
  expect(client.bodySha256()).toBe(sha256(IMAGES['core.bin']))
  await Promise.all(silent.map((each) => each.readToEnd()))
})

test('a client that reads nothing of a thousand answers makes the program neither grow nor stop', async () => {
  const before = residentKib()
  const deaf = await Promise.all(
    Array.from({ length: 60 }, async () => {
      const client = await connectRaw(served.port)
      client.socket.pause()
      client.send(request('/no-such.bin', [], 'HEAD').repeat(50))
      return client
    }),
  )
  const { client } = await exchange(served.port, request('/core.bin'))
  expect(client.bodySha256()).toBe(sha256(IMAGES['core.bin']))
  const after = residentKib()
  await Promise.all(deaf.map((each) => each.reset()))
  if (before !== undefined && after !== undefined) expect(after - before).toBeLessThan(150 * 1024)
})

function residentKib(): number | undefined {
  if (process.platform !== 'linux') return undefined
  const status = readFileSync(`/proc/${served.process.pid}/status`, 'utf8')
  return Number(/^VmRSS:\s+(\d+) kB$/m.exec(status)?.[1])
}

describe('when it is over', () => {
  beforeAll(async () => {
    expect(await served.stop()).toBe(0)
  })

  test('the ledger is intact and holds every one of them', async () => {
    expect(await inProcess(['audit', folder, '--check'])).toMatchObject({ status: 0 })
    const entries = ledgerEntries(folder)
    expect(recorded(entries)).toBeGreaterThanOrEqual(answers)
    expect(entries.at(-1)?.kind).toBe('closed')
    for (const entry of entries)
      if (entry.kind === 'fetch-begun') expect(Object.keys(IMAGES)).toContain(entry.image?.name)
    const images = entries.flatMap((entry) => (entry.kind === 'image' ? [entry.name] : []))
    expect(new Set(images)).toEqual(new Set(Object.keys(IMAGES)))
  })

  test('standard output was one JSON object a line, whatever was put into the requests', () => {
    expect(served.otherLines).toEqual([])
    const onDisk = new Set(ledgerEntries(folder).map(({ sum }) => sum))
    expect(served.entries.filter(({ sum }) => !onDisk.has(sum))).toEqual([])
  })

  test('no line of the ledger is unreasonably long', () => {
    const ledger = readFileSync(join(folder, '.fetchproof', 'ledger.ndjson'), 'utf8')
    const longest = Math.max(...ledger.split('\n').map((line) => Buffer.byteLength(line)))
    expect(longest).toBeLessThan(16 * 1024)
  })

  test('the audit in words carries no control character to the terminal', async () => {
    const { status, stdout } = await inProcess(['audit', folder, '--fetches'])
    expect(status).toBe(0)
    expect(stdout).toContain('/no-such.bin')
    expect(commandsIn(stdout)).toEqual([])
    expect(stdout.split('\n').filter((line) => /^delivered|^\{"kind"/.test(line))).toEqual([])
  })

  test('the audit as CSV (RFC 4180) begins no cell with a formula', async () => {
    const { status, stdout } = await inProcess(['audit', folder, '--fetches', '--format', 'csv'])
    expect(status).toBe(0)
    expect(stdout).toContain('cmd|')
    expect(stdout).not.toMatch(/(^|,|\n)"?[=@+\t](?!\d)/)
  })

  test('nothing was written outside the records folder', () => {
    expect(readdirSync(folder).sort()).toEqual([
      '.fetchproof',
      '.hidden',
      '.secret.bin',
      'core.bin',
      'etc',
      'fetchproof.json',
      'link.bin',
      'linked',
      'notes.txt',
      'sub',
      'visit.csv',
    ])
    expect(new Set(readdirSync(dirname(folder)))).toEqual(new Set(['canary.bin', basename(folder)]))
  })
})

test('forged requests put no control character on the screen of the one who serves', async () => {
  const staging = await stagingFolder({ 'core.bin': IMAGES['core.bin'] }, onTestFinished)
  const shown = await serveFolder(staging, { cleanUp: onTestFinished, flags: ['--format', 'text'] })
  let screen = ''
  shown.process.stdout?.on('data', (text: Buffer) => {
    screen += text.toString()
  })
  for (const [, bytes] of forgeries()) {
    const client = await connectRaw(shown.port)
    client.send(bytes)
    await client.readToEnd()
    await client.close()
  }
  // A fetch that is told on the screen, with a forged name of its client.
  const agent = await ask(shown.port, '/core.bin', { lines: [`User-Agent: ${FORGED[0]}`] })
  await agent.readToEnd()
  await agent.close()
  expect(await shown.stop()).toBe(0)
  expect(screen).toContain('/core.bin')
  // The bell (07) is the program's own, when a pull ends.
  expect(commandsIn(screen).filter((code) => code !== 7)).toEqual([])
})
