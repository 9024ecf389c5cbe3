/**
 * The bench page of a running server, over bare sockets: requests under other names (DNS rebinding), from other
 * pages, without the token, endless, huge or very many, and uploads with names that would leave the folder.
 */
import { existsSync, lstatSync, readdirSync, readFileSync, symlinkSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import { readPageToken } from '../../server/commands/page-token.ts'
import { connectRaw, exchange, parseHead, type RawClient } from '../clients/raw-client.ts'
import { type ServedProgram, sha256, untilAllDone } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { descriptors, LATE_DESCRIPTORS, residentKib, untilAtMost } from './process-facts.ts'
import { CORE, serveCore } from './target.ts'

const whenAllDone = untilAllDone()
const PRIVATE = 'private-9d'
let served: ServedProgram
let outer = ''
let folder = ''
let port = 0
let token = ''

beforeAll(async () => {
  ;({ served, folder, outer } = await serveCore(whenAllDone))
  writeFileSync(join(outer, 'private'), PRIVATE)
  const lock = JSON.parse(readFileSync(join(folder, '.fetchproof', 'lock.json'), 'utf8')) as {
    pagePort: number
  }
  port = lock.pagePort
  token = readPageToken(join(folder, '.fetchproof')) ?? ''
})

interface Heard {
  readonly status: number | undefined
  readonly text: string
}

async function hear(text: string): Promise<Heard> {
  const { raw } = await exchange(port, Buffer.from(text, 'latin1'))
  return { status: parseHead(raw)?.status, text: raw.toString('utf8') }
}

const get = (fields: readonly string[], target = '/api/snapshot', method = 'GET', version = '1.1'): string =>
  `${method} ${target} HTTP/${version}\r\n${[...fields, 'Connection: close'].join('\r\n')}\r\n\r\n`
const post = (target: string, fields: readonly string[], body: string, method = 'POST'): string =>
  `${method} ${target} HTTP/1.1\r\n${[`Content-Length: ${Buffer.byteLength(body)}`, ...fields, 'Connection: close'].join('\r\n')}\r\n\r\n${Buffer.from(body).toString('latin1')}`
const host = (): string => `Host: 127.0.0.1:${port}`

describe('names that are not ours', () => {
  test('no spelling of another name reads anything', async () => {
    const names = [
      'attacker.example',
      `attacker.example:${port}`,
      `127.0.0.1.attacker.example:${port}`,
      `attacker.example#127.0.0.1:${port}`,
      `attacker.example?@127.0.0.1:${port}`,
      `user@127.0.0.1:${port}`,
      `127.0.0.1:${port}@attacker.example`,
      `127.0.0.1:${port}.attacker.example`,
      `localhost.:${port}`,
      `127.1:${port}`,
      `2130706433:${port}`,
      `0x7f000001:${port}`,
      `0:${port}`,
      `0.0.0.0:${port}`,
      `[::ffff:127.0.0.1]:${port}`,
      `[::]:${port}`,
      `127.0.0.1:0${port}0`,
      `127.0.0.1:${port},attacker.example`,
      `127.0.0.1:`,
      '127.0.0.1',
      '',
      `\u0131ocalhost:${port}`,
    ]
    for (const name of names) {
      const heard = await hear(get([`Host: ${Buffer.from(name).toString('latin1')}`]))
      expect([400, 403], name).toContain(heard.status)
      expect(heard.text).not.toContain('core.bin')
    }
  })

  test('an address in the request line, two names, or none at all do not help', async () => {
    const asked = [
      get(['Host: attacker.example'], `http://127.0.0.1:${port}/api/snapshot`),
      get([host(), 'Host: attacker.example']),
      get(['Host: attacker.example', host()]),
      get([]),
      get([], '/api/snapshot', 'GET', '1.0'),
      get(['X-Forwarded-Host: 127.0.0.1', 'Forwarded: host=127.0.0.1', 'Host: attacker.example']),
    ]
    for (const text of asked) {
      const heard = await hear(text)
      expect([400, 403], text).toContain(heard.status)
      expect(heard.text).not.toContain('core.bin')
    }
  })
})

describe('other pages', () => {
  const lift = JSON.stringify({ name: 'core.bin', reason: 'because' })

  test('no request that a page elsewhere can make changes or reads anything', async () => {
    const origins = [
      'http://attacker.example',
      'null',
      `http://127.0.0.1:${port}.attacker.example`,
      `https://127.0.0.1:${port}`,
      'file://',
      `http://127.0.0.1:${port}/`,
      `http://127.0.0.1:${port} http://attacker.example`,
    ]
    // What HTML forms and "simple" requests may carry (Fetch standard, CORS-safelisted Content-Type).
    const types = [
      'text/plain',
      'application/x-www-form-urlencoded',
      'multipart/form-data; boundary=x',
      'application/json',
      '',
    ]
    for (const origin of origins) {
      const read = await hear(get([host(), `Origin: ${origin}`]))
      expect(read.status, origin).toBe(403)
      expect(read.text.toLowerCase()).not.toContain('access-control-')
      for (const type of types) {
        const fields = [host(), `Origin: ${origin}`, `Content-Type: ${type}`]
        const changed = await hear(post('/api/lift', fields, lift))
        expect([400, 403, 415], `${origin} ${type}`).toContain(changed.status)
      }
    }
    for (const type of types) {
      for (const target of [
        '/api/lift',
        '/api/ready-now',
        '/api/published',
        '/api/observed',
        '/api/rehearsed',
        '/api/token',
      ]) {
        const heard = await hear(post(target, [host(), `Content-Type: ${type}`], lift))
        expect([400, 401, 415], `${target} ${type}`).toContain(heard.status)
      }
    }
  })

  test('the token stands in no place but the field for it', async () => {
    for (const text of [
      post(`/api/lift?token=${token}`, [host(), 'Content-Type: application/json'], lift),
      post('/api/lift', [host(), 'Content-Type: application/json', `Cookie: token=${token}`], lift),
      post('/api/lift', [host(), 'Content-Type: application/json', `Authorization: Basic ${token}`], lift),
      post('/api/lift', [host(), 'Content-Type: application/json', `X-Token: ${token}`], lift),
    ])
      expect([400, 401]).toContain((await hear(text)).status)
  })

  test('methods that no route has change nothing and name no inside', async () => {
    for (const method of [
      'PUT',
      'DELETE',
      'PATCH',
      'TRACE',
      'OPTIONS',
      'CONNECT',
      'PROPFIND',
      'QUERY',
      'PRI',
    ]) {
      for (const target of ['/api/lift', '/api/snapshot', '/', '/api/drop', '*']) {
        const heard = await hear(get([host(), `Authorization: Bearer ${token}`], target, method))
        expect(heard.status ?? 0, `${method} ${target}`).toBeLessThan(500)
        expect(heard.text).not.toMatch(/node_modules|\.js:\d|at .*\(/)
        if (method === 'TRACE') expect(heard.text).not.toContain(token)
      }
    }
    expect(readdirSync(folder).sort()).toEqual(['.fetchproof', 'core.bin'])
  })
})

describe('bodies', () => {
  const fields = (): string[] => [host(), `Authorization: Bearer ${token}`, 'Content-Type: application/json']

  test('huge, deep, broken and poisoned ones are refused in words', async () => {
    const bodies = [
      `{"name":"${'x'.repeat(3_000_000)}","reason":"x"}`,
      `${'['.repeat(500_000)}`,
      `${'{"name":'.repeat(50_000)}1${'}'.repeat(50_000)}`,
      '{"__proto__":{"name":"core.bin"},"reason":"x"}',
      '{"constructor":{"prototype":{"name":"core.bin"}},"reason":"x"}',
      '{"name":"core.bin","reason":"x","name":"other.bin","extra":1}',
      '\u0000\u0001',
      '{"name":"../../private","reason":"x"}',
    ]
    for (const body of bodies) {
      const heard = await hear(post('/api/lift', fields(), body))
      // A body that is too large may be answered by a reset while it is still being sent.
      if (heard.status !== undefined || body.length < 1_000_000)
        expect([400, 404, 413], body.slice(0, 40)).toContain(heard.status)
    }
    const { raw } = await exchange(port, post('/api/match', fields(), `{"text":"${'ab '.repeat(900_000)}"}`))
    expect([400, 413, undefined]).toContain(parseHead(raw)?.status)
    expect(served.process.exitCode).toBe(null)
  })

  test('announced and never sent, or sent a byte at a time, they hold up nobody', async () => {
    const before = descriptors(served)
    const slow = await Promise.all(
      Array.from({ length: 150 }, async (_none, nth) => {
        const client = await connectRaw(port)
        const [method, target] =
          nth % 2 === 0 ? ['POST', '/api/lift'] : ['PUT', `/api/drop?name=slow-${nth}.bin`]
        client.send(
          `${method} ${target} HTTP/1.1\r\n${[...fields(), 'Content-Length: 1000'].join('\r\n')}\r\n\r\n{`,
        )
        return client
      }),
    )
    onTestFinished(async () => {
      await Promise.all(slow.map((client) => client.reset()))
    })
    expect((await hear(get([host()]))).status).toBe(200)
    const { client } = await exchange(served.port, 'GET /core.bin HTTP/1.1\r\n\r\n')
    expect(client.bodySha256()).toBe(sha256(CORE))
    await Promise.all(slow.map((each) => each.reset()))
    await untilAtMost(() => descriptors(served), before + LATE_DESCRIPTORS, 'descriptors')
    const left = (): number => readdirSync(folder).filter((name) => name.includes('slow-')).length
    await untilAtMost(left, 0, 'uploads left half')
  })
})

test('a thousand event streams are cut to a number, and leave nothing behind', async () => {
  const before = { descriptors: descriptors(served), kib: residentKib(served) }
  const streams: RawClient[] = []
  onTestFinished(async () => {
    await Promise.all(streams.map((client) => client.reset()))
  })
  let open = 0
  for (let at = 0; at < 1000; at += 50) {
    const batch = await Promise.all(
      Array.from({ length: 50 }, async () => {
        const client = await connectRaw(port)
        client.send(get([host()], '/api/stream'))
        const head = await client.head()
        if (head.status === 200) open += 1
        else expect(head.status).toBe(503)
        if (head.status !== 200) await client.reset()
        return client
      }),
    )
    streams.push(...batch)
  }
  expect(open).toBeLessThanOrEqual(32)
  expect(open).toBeGreaterThan(0)
  expect((await hear(get([host()]))).status).toBe(200)
  await Promise.all(streams.map((client) => client.reset()))
  await untilAtMost(() => descriptors(served), before.descriptors + LATE_DESCRIPTORS, 'descriptors')
  expect(residentKib(served) - before.kib).toBeLessThan(120 * 1024)
})

describe('uploads', () => {
  const put = (name: string, replace = false): Promise<Heard> =>
    hear(
      post(
        `/api/drop?name=${encodeURIComponent(name)}${replace ? '&replace=yes' : ''}`,
        [host(), `Authorization: Bearer ${token}`, 'Content-Type: application/octet-stream'],
        'dropped bytes',
        'PUT',
      ),
    )

  test('a name never leads out of the folder, to a device, to what is hidden, or to a file of ours', async () => {
    const names = [
      ...[
        '../escaped.bin',
        '..\\escaped.bin',
        `${outer}/escaped.bin`,
        'C:\\escaped.bin',
        '\\\\host\\share\\escaped.bin',
      ],
      ...['sub/../../escaped.bin', '..', '.', '', ' ', '...', '%2e%2e%2fescaped.bin', '..%5cescaped.bin'],
      ...[
        '.hidden.bin',
        '.fetchproof',
        '.fetchproof/lock.json',
        '.fetchproof\\ledger.ndjson',
        'fetchproof.json',
      ],
      ...['CON', 'nul.bin', 'Aux.tar.gz', 'COM1', 'com\u00b9.bin', 'LPT\u00b3', 'CONIN$', 'NUL .bin', 'PRN.'],
      ...[
        'a.bin::$DATA',
        'a.bin:stream',
        'a\u0000b.bin',
        'a\r\nb.bin',
        'a.bin...',
        'a.bin   ',
        'x'.repeat(300),
      ],
      ...['half.part', 'x.crdownload', 'x.tmp', 'x~', '\u202egnp.exe.bin', '__proto__', 'a*?<>|".bin'],
    ]
    const before = new Set(readdirSync(outer))
    const taken: string[] = []
    for (const name of names) {
      const heard = await put(name)
      expect([200, 400, 409, 422], `${JSON.stringify(name)}: ${heard.text}`).toContain(heard.status)
      if (heard.status === 200)
        taken.push((JSON.parse(heard.text.slice(heard.text.indexOf('{'))) as { name: string }).name)
    }
    const devices =
      /^(con|prn|aux|nul|conin\$|conout\$|com[\d\u00b9\u00b2\u00b3]|lpt[\d\u00b9\u00b2\u00b3]) *(\.|$)/i
    for (const name of taken) {
      // biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what is looked for
      expect(name).not.toMatch(/[/\\:\u0000-\u001f<>|?*"]|^\.|[. ]$/)
      expect(name).not.toMatch(devices)
      expect(lstatSync(join(folder, name)).isFile()).toBe(true)
    }
    expect(new Set(readdirSync(outer))).toEqual(before)
    expect(readdirSync(folder).filter((name) => name.startsWith('.fetchproof-drop'))).toEqual([])
    expect(JSON.parse(readFileSync(join(folder, '.fetchproof', 'lock.json'), 'utf8'))).toMatchObject({
      pagePort: port,
    })
  })

  test('links in the way are replaced, never written through', needs('POSIX'), async () => {
    symlinkSync('../private', join(folder, 'link.bin'))
    symlinkSync('../not-yet', join(folder, 'dangling.bin'))
    symlinkSync('..', join(folder, 'linked'))
    for (const name of ['link.bin', 'dangling.bin', 'linked'])
      expect((await put(name)).status, name).toBe(409)
    for (const name of ['link.bin', 'dangling.bin']) {
      expect((await put(name, true)).status, name).toBe(200)
      expect(lstatSync(join(folder, name)).isSymbolicLink()).toBe(false)
    }
    expect((await put('linked/escaped.bin')).text).not.toContain('linked')
    expect(readFileSync(join(outer, 'private'), 'utf8')).toBe(PRIVATE)
    expect(existsSync(join(outer, 'not-yet'))).toBe(false)
    expect(existsSync(join(outer, 'escaped.bin'))).toBe(false)
  })
})

test('when it is over the server ends in order and no upload is left half', async () => {
  expect(await served.stop()).toBe(0)
  expect(served.otherLines).toEqual([])
  expect(served.stderr()).not.toMatch(/TypeError|RangeError|at .*\.js/)
})
