/** Requests that fuzzing found and that once did harm, one test each. */
import { once } from 'node:events'
import { beforeAll, expect, test } from 'vitest'
import { connectRaw, exchange, parseHead, request } from '../clients/raw-client.ts'
import { type ServedProgram, serveFiles, sha256, untilAllDone } from '../clients/served.ts'
import { CORE } from './target.ts'

const whenAllDone = untilAllDone()
let served: ServedProgram

beforeAll(async () => {
  served = await serveFiles({ 'core.bin': CORE, 'Bücher.bin': CORE }, { cleanUp: whenAllDone })
})

async function stillServes(): Promise<void> {
  const { client } = await exchange(served.port, request('/core.bin'))
  expect(client.bodySha256()).toBe(sha256(CORE))
  expect(served.process.exitCode).toBe(null)
}

/** Both pieces in packets of their own. */
async function inTwo(first: string, second: string): Promise<Buffer> {
  const client = await connectRaw(served.port, { keep: true })
  client.socket.setNoDelay(true)
  await new Promise<void>((sent) => client.socket.write(first, () => sent()))
  // The server has read the first when it answers another client that asked later.
  await exchange(served.port, request('/no-such.bin'))
  client.send(second)
  await client.readToEnd()
  await client.close()
  return client.raw()
}

test('an expectation nobody knows behind an encoding nobody knows does not end the program', async () => {
  const fields = 'Transfer-Encoding: "x"\r\nExpect: wonders\r\n'
  await exchange(served.port, `HEAD /core.bin HTTP/1.1\r\n${fields}\r\n`, { halfClose: true })
  await stillServes()
})

test('an unknown expectation is answered like any request, and recorded', async () => {
  const { raw, client } = await exchange(served.port, request('/core.bin', ['Expect: wonders']))
  expect(parseHead(raw)?.status).toBe(200)
  expect((await served.begun(client.port)).target).toBe('/core.bin')
})

test.each(['PRI', 'SOURCE', 'M-SEARCH', 'QUERY', 'PROPFIND', 'LINK'])(
  'the method %s, which a router may not know, gets no page of the router and is recorded',
  async (method) => {
    const { raw, client } = await exchange(served.port, `${method} /core.bin HTTP/1.1\r\nHost: a\r\n\r\n`)
    const head = parseHead(raw)
    expect([400, 405]).toContain(head?.status)
    expect([head?.field('content-length'), raw.length]).toEqual(['0', head?.bytes])
    expect((await served.refused(client.port)).status).toBe(head?.status)
  },
)

test('a later packet of a request is never taken for a request of its own', async () => {
  const raw = await inTwo(
    'GET /no-such.bin HTTP/1.1\r\nX-Note: ',
    'GET /core.bin HTTP/1.1\r\nX: \u0001\r\n\r\n',
  )
  expect(parseHead(raw)?.status).toBe(400)
  await stillServes()
})

test('an unescaped name is found on a connection that was asked something before', async () => {
  const client = await connectRaw(served.port, { keep: true })
  client.send(request('/core.bin', [], 'HEAD'))
  await client.head()
  await served.ended(client.port)
  client.send(Buffer.from('GET /Bücher.bin HTTP/1.1\r\n\r\n'))
  if (!client.socket.readableEnded) await Promise.race([client.readToEnd(), once(client.socket, 'close')])
  expect(client.raw().subarray(-CORE.length).equals(CORE)).toBe(true)
  await client.close()
})

test.each([
  ['bytes=0-5\u00a0', 'a no-break space is no blank of the grammar'],
  ['bytes=9007199254740993-9007199254740992', 'backwards beyond 2^53 is as invalid as below'],
])('the range %j is ignored: %s', async (range) => {
  const text = `GET /core.bin HTTP/1.1\r\nHost: a\r\nRange: ${range}\r\n\r\n`
  const { raw, client } = await exchange(served.port, Buffer.from(text, 'latin1'))
  expect([parseHead(raw)?.status, client.bodyBytes]).toEqual([200, CORE.length])
})
