/**
 * HTTP as small clients speak it, over bare sockets. RFC 9110 (semantics), RFC 9112 (HTTP/1.1 on the wire), and
 * what a console's client looks for: `Content-Length: ` in that letter case, a short header block, no chunks.
 */
import { readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import { ask, connectRaw, exchange, type Head, parseHead, request } from './raw-client.ts'
import {
  imageBytes,
  type Served,
  serveFiles,
  serveFilesHere,
  serveHere,
  sha256,
  stagingFolder,
  untilAllDone,
} from './served.ts'

const IMAGE = imageBytes(10_000, 'edge')
const LARGE = imageBytes(32 * 1024 * 1024, 'large')
const TAG = `"${sha256(IMAGE)}"`
const REQUEST_MS = 1500

let served: Served

const whenAllDone = untilAllDone()

beforeAll(async () => {
  served = await serveFiles(
    { 'edge.bin': IMAGE, 'sub/deep.bin': imageBytes(500, 'deep'), 'large.bin': LARGE },
    { cleanUp: whenAllDone, flags: ['--request-ms', String(REQUEST_MS)] },
  )
})

interface Answer {
  readonly head: Head
  readonly body: Buffer
  readonly port: number
}

async function answer(bytes: string): Promise<Answer> {
  const { raw, client } = await exchange(served.port, bytes)
  const head = parseHead(raw)
  if (head === undefined) throw new Error(`no head in ${JSON.stringify(raw.toString('latin1'))}`)
  return { head, body: raw.subarray(head.bytes), port: client.port }
}

const get = (lines: string[] = [], target = '/edge.bin'): Promise<Answer> => answer(request(target, lines))

function expectWhole({ head, body }: Answer): void {
  expect(head.statusLine).toBe('HTTP/1.1 200 OK')
  expect(body.equals(IMAGE)).toBe(true)
}

describe('requests that old and small clients send', () => {
  test.each([
    ['HTTP/1.0 without Host and without any field', 'GET /edge.bin HTTP/1.0\r\n\r\n'],
    [
      'HTTP/1.1 without Host (served, although RFC 9112 section 3.2 would let a server refuse)',
      'GET /edge.bin HTTP/1.1\r\n\r\n',
    ],
    [
      'absolute form (RFC 9112 section 3.2.2)',
      'GET http://192.0.2.9:8080/edge.bin HTTP/1.1\r\nHost: 192.0.2.9:8080\r\n\r\n',
    ],
    ['absolute form, HTTP/1.0', 'GET http://laptop/edge.bin HTTP/1.0\r\n\r\n'],
    ['a slash doubled', 'GET //edge.bin HTTP/1.0\r\n\r\n'],
    ['slashes tripled', 'GET ///edge.bin HTTP/1.1\r\nHost: a\r\n\r\n'],
    ['an empty Host (RFC 9110 section 7.2)', 'GET /edge.bin HTTP/1.1\r\nHost:\r\n\r\n'],
    [
      'an empty line before the request (RFC 9112 section 2.2)',
      '\r\nGET /edge.bin HTTP/1.1\r\nHost: a\r\n\r\n',
    ],
    [
      'field names in capitals (RFC 9110 section 5.1)',
      'GET /edge.bin HTTP/1.1\r\nHOST: a\r\nCONNECTION: KEEP-ALIVE\r\n\r\n',
    ],
    ['a query, which no image has', 'GET /edge.bin?x=1 HTTP/1.1\r\nHost: a\r\n\r\n'],
    ['its request in single bytes', ''],
  ])('%s', async (what, bytes) => {
    if (bytes !== '') return expectWhole(await answer(bytes))
    const client = await connectRaw(served.port, { keep: true })
    for (const byte of request('/edge.bin')) {
      client.send(byte)
      await new Promise(setImmediate)
    }
    expect(await client.readToEnd(), what).toBe('closed')
    expect(client.body().equals(IMAGE)).toBe(true)
    await client.close()
  })

  // A recipient may take a single line feed for a line's end (RFC 9112 section 2.2).
  test.each([
    ['HTTP/1.0 without any field', 'GET /edge.bin HTTP/1.0\n\n'],
    ['HTTP/1.1 with fields', 'GET /edge.bin HTTP/1.1\nHost: a\nUser-Agent: boot rom\n\n'],
    ['an empty line of its own kind', 'GET /edge.bin HTTP/1.0\nHost: a\n\r\n'],
    ['the first line alone in order', 'GET /edge.bin HTTP/1.1\r\nHost: a\nUser-Agent: b\n\n'],
    ['the last line alone in order', 'GET /edge.bin HTTP/1.1\nHost: a\r\n\r\n'],
    ['a target that lacks its escaping as well', 'GET /edge.bin?caf\u00e9 x HTTP/1.0\nHost: a\n\n'],
  ])('lines that end in a bare line feed: %s', async (_what, bytes) => {
    expectWhole(await answer(bytes))
  })

  test('lines that end in a bare line feed, in single bytes, the client half-closed', async () => {
    const client = await connectRaw(served.port, { keep: true })
    for (const byte of 'GET /edge.bin HTTP/1.0\nUser-Agent: boot rom\n\n') {
      client.send(byte)
      await new Promise(setImmediate)
    }
    await client.halfClose()
    expect(await client.readToEnd()).toBe('closed')
    expect(client.body().equals(IMAGE)).toBe(true)
    expect(await served.begun(client.port)).toMatchObject({ httpVersion: '1.0', userAgent: 'boot rom' })
    await client.close()
  })

  test('a HEAD and a GET on one connection whose lines end in a bare line feed', async () => {
    const client = await connectRaw(served.port, { keep: true })
    client.send('HEAD /edge.bin HTTP/1.1\nHost: a\n\n')
    expect((await client.head()).status).toBe(200)
    client.send('GET /edge.bin HTTP/1.1\nHost: a\nRange: bytes=10-\n\n')
    expect(await client.readToEnd()).toBe('closed')
    await client.close()
    const rest = client.raw().subarray(parseHead(client.raw())?.bytes)
    const second = parseHead(rest)
    expect(second?.status).toBe(206)
    expect(rest.subarray(second?.bytes).equals(IMAGE.subarray(10))).toBe(true)
  })

  test.each([
    ['a method in lower case', 'get /edge.bin HTTP/1.1\nHost: a\n\n'],
    ['no version', 'GET /edge.bin\n\n'],
    ['a bare carriage return within a field', 'GET /edge.bin HTTP/1.1\nA: b\rRange: bytes=0-1\n\n'],
    ['a space before the colon', 'GET /edge.bin HTTP/1.1\nHost : a\n\n'],
    ['a folded field', 'GET /edge.bin HTTP/1.1\nX: a\n b\n\n'],
    ['a NUL', 'GET /edge.bin HTTP/1.1\nX: a\0b\n\n'],
    ['length and chunks', 'GET /edge.bin HTTP/1.1\nContent-Length: 4\nTransfer-Encoding: chunked\n\n0\n\n'],
  ])('bare line feeds let in nothing else, and it is refused at once: %s', async (_what, bytes) => {
    const { head, port } = await answer(bytes)
    expect(head.status).toBe(400)
    const { reason, firstLine } = await served.refused(port)
    expect([reason, firstLine]).toEqual([
      expect.stringContaining('cannot be parsed'),
      expect.stringContaining('/edge.bin'),
    ])
  })

  test('are recorded with what they asked for, word for word', async () => {
    const { port } = await answer('GET //edge.bin?x=1 HTTP/1.0\r\nUser-Agent: boot "rom" 1\r\n\r\n')
    expect(await served.begun(port)).toMatchObject({
      target: '//edge.bin?x=1',
      httpVersion: '1.0',
      userAgent: 'boot "rom" 1',
      method: 'GET',
      image: { name: 'edge.bin' },
    })
  })
})

test('the head of a body is what small clients can read', async () => {
  const { head } = await get()
  expect(head.bytes).toBeLessThan(1024)
  expect(head.statusLine).toMatch(/^HTTP\/1\.1 200 [A-Za-z ]+$/) // RFC 9112 section 4
  expect(head.lines).toContain(`Content-Length: ${IMAGE.length}`) // letter case as clients compare it
  expect(head.lines).toContain('Connection: close') // RFC 9112 section 9.6
  expect(head.field('transfer-encoding')).toBeUndefined()
  expect(head.field('content-encoding')).toBeUndefined()
  expect(head.field('location')).toBeUndefined()
  expect(head.field('accept-ranges')).toBe('bytes') // RFC 9110 section 14.3
  expect(head.field('etag')).toBe(TAG) // RFC 9110 section 8.8.3: no W/ before it, so strong
})

test('a client that offers compression gets the bytes as they are', async () => {
  const reply = await get(['Accept-Encoding: gzip, br, deflate', 'TE: trailers, chunked'])
  expectWhole(reply)
  expect(reply.head.field('content-encoding')).toBeUndefined()
})

describe('Range (RFC 9110 section 14.2)', () => {
  const N = IMAGE.length
  test.each([
    ['bytes=0-0', 0, 1],
    ['bytes=0-499', 0, 500],
    ['bytes=500-999', 500, 1000],
    ['bytes=9500-', 9500, N],
    ['bytes=-500', N - 500, N],
    ['bytes=-1', N - 1, N],
    ['bytes=0-', 0, N],
    [`bytes=${N - 1}-${N - 1}`, N - 1, N],
    ['bytes=9999-20000', 9999, N], // last-pos beyond the end: what there is
    ['bytes=0-99999999999999999999', 0, N],
    ['bytes=-99999', 0, N], // longer than the image: all of it
    ['Bytes=1-2', 1, 3], // range units are case-insensitive (section 14.1)
  ])('%s is 206 with exactly those bytes', async (range, from, to) => {
    const { head, body } = await get([`Range: ${range}`])
    expect(head.statusLine).toBe('HTTP/1.1 206 Partial Content')
    expect(head.field('content-range')).toBe(`bytes ${from}-${to - 1}/${N}`)
    expect(head.lines).toContain(`Content-Length: ${to - from}`)
    expect(head.field('etag')).toBe(TAG)
    expect(body.equals(IMAGE.subarray(from, to))).toBe(true)
  })

  test.each([
    'bytes=abc',
    'bytes=',
    'bytes=-',
    'bytes=5-1',
    'bytes=1-2-3',
    'bytes=a-5',
    'bytes=0x10-',
    'bytes=1.5-3',
    'bytes= -',
    'bytes=--5',
    'bytes',
    'bytes 0-5',
    'items=0-5',
    'bytes=0-1,3-4',
    'bytes=0-5,-5',
    'bytes=0-,0-,0-,0-,0-',
    `bytes=${'0-1,'.repeat(200)}0-1`,
  ])('%s is malformed, another unit or several: ignored, whole', async (range) => {
    expectWhole(await get([`Range: ${range}`]))
  })

  test.each([
    `bytes=${N}-`,
    `bytes=${N}-${N + 5}`,
    'bytes=99999-',
    'bytes=-0',
    'bytes=99999999999999999999-',
  ])('%s is 416 with the length (section 15.5.17)', async (range) => {
    const { head, body, port } = await get([`Range: ${range}`])
    expect(head.status).toBe(416)
    expect(head.field('content-range')).toBe(`bytes */${N}`)
    expect(body.length).toBe(0)
    expect(await served.refused(port)).toMatchObject({ status: 416, range })
  })

  test('of HEAD is the same head as that of GET (section 14.2 defines it for GET only)', async () => {
    const client = await ask(served.port, '/edge.bin', {
      method: 'HEAD',
      lines: ['Range: bytes=0-99', 'Connection: close'],
    })
    const head = await client.head()
    expect([200, 206]).toContain(head.status)
    expect(head.field('content-length')).toBe(head.status === 200 ? String(N) : '100')
    await client.readToEnd()
    expect(client.bodyBytes).toBe(0)
    await client.close()
  })
})

describe('If-Range (RFC 9110 section 13.1.5)', () => {
  test('with the strong tag of this version gives the part', async () => {
    const { head, body } = await get(['Range: bytes=10-19', `If-Range: ${TAG}`])
    expect(head.status).toBe(206)
    expect(body.equals(IMAGE.subarray(10, 20))).toBe(true)
  })

  test.each([
    ['a weak tag', `W/${TAG}`],
    ['a longer tag', `"${sha256(IMAGE)}0"`],
    ['a shorter tag', `"${sha256(IMAGE).slice(1)}"`],
    ['a tag without quotes', sha256(IMAGE)],
    ['a tag in other case', TAG.toUpperCase()],
    ['an empty tag', '""'],
    ['a date before its own', 'Mon, 05 Jan 2015 00:00:00 GMT'],
    ['something else', 'never'],
  ])('with %s gives the whole', async (_what, tag) => {
    expectWhole(await get(['Range: bytes=10-19', `If-Range: ${tag}`]))
  })
})

describe('preconditions (RFC 9110 sections 13.1.1 to 13.1.4, order of section 13.2.2)', () => {
  test.each([
    [`If-None-Match: ${TAG}`, 304],
    ['If-None-Match: *', 304],
    [`If-None-Match: "other", ${TAG}`, 304],
    [`If-None-Match: W/${TAG}`, 304], // weak comparison is what section 13.1.2 asks for
    ['If-None-Match: "other"', 200],
    [`If-Match: ${TAG}`, 200],
    ['If-Match: *', 200],
    ['If-Match: "other"', 412],
    [`If-Match: W/${TAG}`, 412], // strong comparison, section 13.1.1
    ['If-Modified-Since: Mon, 05 Jan 2015 00:00:00 GMT', 200],
    ['If-Modified-Since: Fri, 01 Jan 2100 00:00:00 GMT', 304],
    ['If-Modified-Since: yesterday', 200], // not a date: ignored, section 13.1.3
    ['If-Unmodified-Since: Mon, 05 Jan 2015 00:00:00 GMT', 412],
    ['If-Unmodified-Since: Fri, 01 Jan 2100 00:00:00 GMT', 200],
  ])('%s is %i', async (line, status) => {
    const client = await ask(served.port, '/edge.bin', { lines: [line, 'Connection: close'] })
    const head = await client.head()
    expect(head.status).toBe(status)
    await client.readToEnd()
    await client.close()
    expect(client.bodyBytes).toBe(status === 200 ? IMAGE.length : 0)
    if (status === 304) {
      expect(head.field('etag')).toBe(TAG) // section 15.4.5
      expect((await served.ended(client.port)).ending).toBe('headers-only')
    }
  })
})

describe('other methods (RFC 9110 section 15.5.6: 405 with Allow)', () => {
  test.each(['POST', 'PUT', 'DELETE', 'PATCH', 'OPTIONS', 'TRACE', 'PROPFIND'])('%s', async (method) => {
    const { head, body, port } = await answer(
      `${method} /edge.bin HTTP/1.1\r\nHost: a\r\nConnection: close\r\nContent-Length: 0\r\n\r\n`,
    )
    expect(head.status).toBe(405)
    expect(head.field('allow')?.split(/, */).sort()).toEqual(['GET', 'HEAD'])
    expect(body.length).toBe(0)
    expect(await served.refused(port)).toMatchObject({ status: 405, method })
  })
})

describe('several requests on one connection', () => {
  test('HEAD keeps it open for a GET, which closes it (RFC 9112 section 9.3)', async () => {
    const client = await connectRaw(served.port, { keep: true })
    client.send(request('/edge.bin', [], 'HEAD'))
    expect((await client.head()).status).toBe(200)
    // At once: an idle connection is kept for REQUEST_MS alone, and a record may take that long on a busy disk.
    client.send(request('/edge.bin'))
    expect(await client.readToEnd()).toBe('closed')
    await client.close()
    const first = parseHead(client.raw())
    const rest = client.raw().subarray(first?.bytes)
    const second = parseHead(rest)
    expect(second?.status).toBe(200)
    expect(rest.subarray(second?.bytes).equals(IMAGE)).toBe(true)
    expect((await served.ended(client.port, 1)).ending).toBe('delivered')
  })

  test('a request pipelined behind a GET is not answered, and recorded as refused (RFC 9112 section 9.3.2)', async () => {
    const { raw, client } = await exchange(served.port, request('/edge.bin') + request('/sub/deep.bin'))
    const head = parseHead(raw)
    expect(raw.subarray(head?.bytes).equals(IMAGE)).toBe(true)
    await served.ended(client.port)
    const refused = await served.refused(client.port)
    expect(refused.reason).not.toBe('')
    expect(JSON.stringify([refused.target, refused.firstLine])).toContain('/sub/deep.bin')
    expect(
      served.entries.filter((entry) => entry.kind === 'fetch-begun' && entry.client.port === client.port),
    ).toHaveLength(1)
  })

  test('a request pipelined behind a HEAD is refused, and the connection ends with the answer to the HEAD', async () => {
    const client = await connectRaw(served.port, { keep: true })
    const head = request('/edge.bin', [], 'HEAD')
    client.send(head + head)
    expect((await client.head()).status).toBe(200)
    // Node would keep this one behind the second, which is never answered, for ever.
    client.send(head)
    await client.readToEnd()
    await client.close()
    expect(
      client
        .raw()
        .toString('latin1')
        .match(/HTTP\/1\.1 200 OK/g),
    ).toHaveLength(1)
    expect((await served.refused(client.port)).reason).toContain('pipelined')
  })

  test('bytes that come during a large body change nothing in it', async () => {
    const client = await ask(served.port, '/large.bin')
    await client.readBody(1_000_000)
    client.send(request('/edge.bin'))
    client.send('\0\x01garbage\r\n\r\n')
    expect(await client.readToEnd()).toBe('closed')
    await client.close()
    expect(client.bodySha256()).toBe(sha256(LARGE))
  })
})

describe('connections that say nothing, or not enough', () => {
  test.each([
    ['silent', ''],
    ['half a request line', 'GET /ed'],
    ['a request without its last empty line', 'GET /edge.bin HTTP/1.1\r\nHost: a\r\n'],
  ])('%s: dropped after the time for a request', async (_what, bytes) => {
    const client = await connectRaw(served.port, { keep: true })
    onTestFinished(() => client.reset())
    const begun = performance.now()
    if (bytes !== '') client.send(bytes)
    await client.readToEnd()
    expect(performance.now() - begun).toBeGreaterThan(REQUEST_MS * 0.6)
    expect(client.raw().toString('latin1')).not.toContain(' 200 ')
    if (bytes !== '') expect((await served.refused(client.port)).reason).not.toBe('')
  })

  test('one field a moment, without end: dropped all the same', async () => {
    const client = await connectRaw(served.port, { keep: true })
    client.send('GET /edge.bin HTTP/1.1\r\n')
    const drip = setInterval(() => {
      if (!client.socket.destroyed) client.send('X-A: b\r\n')
    }, 100)
    onTestFinished(() => clearInterval(drip))
    await client.readToEnd()
    await client.close()
    expect((await served.refused(client.port)).reason).not.toBe('')
  })

  test('a body that takes longer than the time for a request is not cut by it', async () => {
    const client = await ask(served.port, '/large.bin')
    await client.readBody(1000)
    await new Promise((resolve) => setTimeout(resolve, REQUEST_MS * 1.5))
    expect(await client.readToEnd()).toBe('closed')
    await client.close()
    expect(client.bodySha256()).toBe(sha256(LARGE))
    expect((await served.ended(client.port)).ending).toBe('delivered')
  })
})

describe('images that are not ready', () => {
  test('settling is 503 with Retry-After (RFC 9110 sections 15.6.4 and 10.2.3), held 409, unknown 404', async () => {
    const folder = await stagingFolder({}, onTestFinished)
    const slow = await serveHere(folder, {
      cleanUp: onTestFinished,
      flags: ['--settle-unsure-ms', '60000'],
    })
    writeFileSync(join(folder, 'empty.bin'), '')
    writeFileSync(join(folder, 'fresh.bin'), IMAGE)
    writeFileSync(join(folder, 'wrong.bin'), IMAGE)
    writeFileSync(join(folder, 'wrong.bin.sha256'), `${sha256(LARGE)}  wrong.bin\n`)
    const statusOf = async (target: string): Promise<[number | undefined, string | undefined]> => {
      const { raw } = await exchange(slow.port, request(target))
      return [parseHead(raw)?.status, parseHead(raw)?.field('retry-after')]
    }
    await untilNot404(() => statusOf('/fresh.bin'))
    expect(await statusOf('/fresh.bin')).toEqual([503, '5'])
    expect(await statusOf('/fresh.bin.sha256')).not.toEqual([200, undefined])
    expect(await statusOf('/none.bin')).toEqual([404, undefined])
  })

  test('a published checksum that differs holds the image: 409, until it is lifted', async () => {
    const files = { 'wrong.bin': IMAGE, 'wrong.bin.sha256': Buffer.from(`${sha256(LARGE)}  wrong.bin\n`) }
    const other = await serveHere(await stagingFolder(files, onTestFinished), { cleanUp: onTestFinished })
    const held = await other.entry('held', ({ name }) => name === 'wrong.bin')
    expect(held.reason).not.toBe('')
    const { raw, client } = await exchange(other.port, request('/wrong.bin'))
    expect(parseHead(raw)?.status).toBe(409)
    expect(raw.length).toBeLessThan(1024)
    expect(await other.refused(client.port)).toMatchObject({ status: 409, target: '/wrong.bin' })
  })

  test('over the limit of fetches is 503 with Retry-After, and place is made again', async () => {
    const few = await serveFilesHere(
      { 'large.bin': LARGE },
      { cleanUp: onTestFinished, flags: ['--max-fetches', '2'] },
    )
    const holding = [await ask(few.port, '/large.bin'), await ask(few.port, '/large.bin')]
    for (const client of holding) {
      onTestFinished(() => client.reset())
      await client.readBody(1000)
    }
    const third = await exchange(few.port, request('/large.bin'))
    expect(parseHead(third.raw)?.status).toBe(503)
    expect(parseHead(third.raw)?.field('retry-after')).toMatch(/^\d+$/)
    await few.refused(third.client.port)
    await holding[0]?.reset()
    await few.ended(holding[0]?.port ?? 0)
    const fourth = await exchange(few.port, request('/large.bin'))
    expect(parseHead(fourth.raw)?.status).toBe(200)
    expect(fourth.client.bodySha256()).toBe(sha256(LARGE))
  })

  test('an address that is not admitted is 403, with the setting that would admit it', async () => {
    const files = { 'edge.bin': IMAGE }
    const strict = await serveFilesHere(files, {
      cleanUp: onTestFinished,
      flags: ['--allow', '192.0.2.0/24'],
    })
    const { raw, client } = await exchange(strict.port, request('/edge.bin'))
    expect(parseHead(raw)?.status).toBe(403)
    const refused = await strict.refused(client.port)
    expect(refused.status).toBe(403)
    expect(refused.hint ?? '').toContain('--allow')
  })
})

async function untilNot404(status: () => Promise<[number | undefined, unknown]>): Promise<void> {
  for (const deadline = Date.now() + 10_000; Date.now() < deadline; ) {
    if ((await status())[0] !== 404) return
    await new Promise((resolve) => setTimeout(resolve, 50))
  }
  throw new Error('the file is still unknown')
}

test('the ledger has been written before the first byte of a body goes out', async () => {
  const client = await ask(served.port, '/edge.bin')
  await client.head()
  const ledger = readFileSync(join(served.folder, '.fetchproof', 'ledger.ndjson'), 'utf8')
  expect(ledger).toMatch(new RegExp(`"kind":"fetch-begun"[^\\n]*"port":${client.port}[,}]`))
  await client.readToEnd()
  await client.close()
})
