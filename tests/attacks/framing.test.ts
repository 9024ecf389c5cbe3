/**
 * Requests that say one thing and send another: the answer comes, nothing more is read, the connection is closed about a
 * second later, and one line of the record says what it was. Framing by RFC 9112 §6.
 */
import { connect } from 'node:net'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import { exchange } from '../clients/raw-client.ts'
import {
  imageBytes,
  ledgerEntries,
  type ServedProgram,
  serveFiles,
  serveFolder,
  stagingFolder,
  untilAllDone,
} from '../clients/served.ts'

interface Sent {
  readonly status: string
  readonly bytes: number
  readonly ms: number
}

/** Of a connection on loopback, either side's. */
const TWO_KERNELS_BYTES = 16 * 1024 * 1024
const PIECE = Buffer.alloc(65_536, 'x')

/** Sends `head`, then whatever the server takes, until the server ends the connection. Never ends it itself. */
function flood(port: number, head: string, reads = true): Promise<Sent> {
  return new Promise((resolve) => {
    const begun = performance.now()
    const socket = connect({ port, host: '127.0.0.1', allowHalfOpen: true })
    let answer = ''
    let over = false
    const done = (): void => {
      if (over) return
      over = true
      const [status = ''] = answer.split('\r\n')
      resolve({ status, bytes: socket.bytesWritten - socket.writableLength, ms: performance.now() - begun })
      socket.destroy()
    }
    const more = (): void => {
      while (!over && socket.writable && socket.write(PIECE));
    }
    if (reads) socket.on('data', (bytes: Buffer) => (answer += bytes.toString('latin1')))
    socket.on('error', done)
    socket.on('close', done)
    socket.on('drain', more)
    socket.write(head)
    more()
  })
}

const LONG = 'Content-Length: 10000000000\r\n\r\n'
const CHUNKED = 'Transfer-Encoding: chunked\r\n\r\n'
/** What goes out, the answer to it, what its one entry says. */
const FLOODS: readonly [string, string, string, string][] = [
  ['a POST of 10 GB', `POST /a.bin HTTP/1.1\r\n${LONG}`, '405', 'POST is not answered here'],
  ['a POST in one chunk of 268 MB', `POST /b.bin HTTP/1.1\r\n${CHUNKED}fffffff\r\n`, '405', 'POST is not'],
  ['a HEAD with a body', `HEAD /c.bin HTTP/1.1\r\n${LONG}`, '404', 'no image of that name'],
  [
    'a transfer coding that nobody knows',
    'GET /d.bin HTTP/1.1\r\nTransfer-Encoding: brick\r\n\r\n',
    '501',
    'brick',
  ],
  ['a header without end', 'GET /e.bin HTTP/1.1\r\nX-Long: ', '431', 'too large'],
  ['a trailer without end', `GET /f.bin HTTP/1.1\r\n${CHUNKED}0\r\nX-Long: `, '404', 'no image of that name'],
  ['bytes behind CONNECT', 'CONNECT branch:443 HTTP/1.1\r\n\r\n', '405', 'CONNECT is not answered here'],
  [
    'a body that was asked for leave',
    `POST /g.bin HTTP/1.1\r\nExpect: 100-continue\r\n${LONG}`,
    '405',
    'POST is',
  ],
]

test('after a refusal nothing more is read, and the client is let go a second later, with one entry', async () => {
  const folder = await stagingFolder({ 'branch-switch.bin': imageBytes(1_000, 'framing') }, onTestFinished)
  const served = await serveFolder(folder, { cleanUp: onTestFinished })
  await served.image('branch-switch.bin')
  for (const [what, head, status, reason] of FLOODS) {
    const before = ledgerEntries(folder).length
    const sent = await flood(served.port, head)
    expect(sent.status, what).toContain(` ${status} `)
    // What fits into the buffers of two kernels, and no more.
    expect(sent.bytes, what).toBeLessThan(TWO_KERNELS_BYTES)
    await served.entry('fetch-refused', (entry) => entry.reason.includes(reason))
    const entries = ledgerEntries(folder).slice(before)
    expect(entries.filter(({ kind }) => kind === 'fetch-refused').length, what).toBeLessThanOrEqual(1)
  }
  expect(await served.stop()).toBe(0)
  const refused = ledgerEntries(folder).flatMap((entry) => (entry.kind === 'fetch-refused' ? [entry] : []))
  expect(refused.reduce((sum, { count = 1 }) => sum + count, 0)).toBe(FLOODS.length)
})

/** Requests that end with their connection, and leave the server as it was for the next. */
describe('of one server', () => {
  const whenAllDone = untilAllDone()
  let served: ServedProgram

  beforeAll(async () => {
    const files = { 'c.bin': imageBytes(24 * 1024 * 1024), 'branch-switch.bin': imageBytes(1_000, 'framing') }
    served = await serveFiles(files, { cleanUp: whenAllDone })
  })

  test.each([
    ['a body', `GET /c.bin HTTP/1.1\r\n${LONG}`],
    ['a body in chunks', `GET /c.bin HTTP/1.1\r\n${CHUNKED}fffffff\r\n`],
    ['another request with a body', `GET /c.bin HTTP/1.1\r\n\r\nGET /c.bin HTTP/1.1\r\n${LONG}`],
    ['no request at all', 'GET /c.bin HTTP/1.1\r\n\r\n'],
    ['a body, for headers alone', `HEAD /c.bin HTTP/1.1\r\n${LONG}`],
  ])('gigabytes behind a request that is served were read without end: %s', async (_what, head) => {
    const before = served.entries.at(-1)?.seq ?? 0
    const sent = await flood(served.port, head)
    expect(sent.bytes).toBeLessThan(TWO_KERNELS_BYTES)
    const wanted = head.startsWith('HEAD') ? 'headers-only' : 'cut'
    await served.entry('fetch-ended', ({ seq, ending }) => seq > before && ending === wanted)
  })

  test.each([
    ['two lengths', 'Content-Length: 3\r\nContent-Length: 5\r\n'],
    ['two lengths of nothing', 'Content-Length: 0\r\nContent-Length: 0\r\n'],
    ['a length and a coding', 'Content-Length: 3\r\nTransfer-Encoding: chunked\r\n'],
  ])('a head with %s was answered with the image when it came alone', async (_what, fields) => {
    for (const target of ['/branch-switch.bin', '/branch switch.bin']) {
      const { raw } = await exchange(served.port, `GET ${target} HTTP/1.1\r\n${fields}\r\n`)
      expect(raw.toString('latin1')).toMatch(/^HTTP\/1\.1 400 /)
    }
  })

  test('a request with two lengths, or of another major version, is refused', async () => {
    const two = 'GET /branch-switch.bin HTTP/1.1\r\nContent-Length: 3\r\nContent-Length: 5\r\n\r\n'
    expect((await flood(served.port, two)).status).toContain(' 400 ')
    const http2 = 'GET /branch-switch.bin HTTP/2.0\r\n\r\n'
    expect((await flood(served.port, http2)).status).toContain(' 505 ')
  })

  test('it ends in order all the same', async () => {
    expect(await served.stop()).toBe(0)
  })
})
