/**
 * Crowds of clients that hold on to what there is little of: places, connections, descriptors. Each comes from a
 * loopback address of its own (127.0.0.x), as different clients do. A good client still gets its image meanwhile,
 * and afterwards everything is given back.
 */
import { describe, expect, onTestFinished, test } from 'vitest'
import { ask, connectRaw, exchange, parseHead, type RawClient, request } from '../clients/raw-client.ts'
import { imageBytes, type ServedProgram, serveFiles, sha256 } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { descriptors, LATE_DESCRIPTORS, residentKib, untilAtMost } from './process-facts.ts'

const SMALL = imageBytes(20_000, 'small')
/** More than all buffers between server and client hold. */
const LARGE = imageBytes(24 * 1024 * 1024, 'large')
const ATTACKER = '127.0.0.66'
const GOOD = '127.0.0.7'
/** Linux answers for all of 127.0.0.0/8; other systems want each address added first. */

async function start(flags: readonly string[]): Promise<ServedProgram> {
  return serveFiles({ 'small.bin': SMALL, 'large.bin': LARGE }, { cleanUp: onTestFinished, flags })
}

async function resetAll(clients: readonly RawClient[]): Promise<void> {
  await Promise.all(clients.map((client) => client.reset()))
}

async function goodPull(served: ServedProgram): Promise<string> {
  const { raw, client } = await exchange(served.port, request('/small.bin'), { localAddress: GOOD })
  expect(parseHead(raw)?.statusLine).toBe('HTTP/1.1 200 OK')
  return client.bodySha256()
}

describe('one client cannot starve another', needs('Linux'), () => {
  test('one that takes every place and trickles gives way to one that has none', async () => {
    const served = await start(['--max-fetches', '20'])
    const greedy = await Promise.all(
      Array.from({ length: 20 }, () => ask(served.port, '/large.bin', { localAddress: ATTACKER })),
    )
    onTestFinished(() => resetAll(greedy))
    await Promise.all(greedy.map((client) => client.readBody(1000)))
    // Each moves now and then, so that none ever counts as stalled.
    const trickle = Promise.all(greedy.map((client) => client.readBody(300_000).catch(() => undefined)))
    expect(await goodPull(served)).toBe(sha256(SMALL))
    await trickle
    const gaveWay = await served.entry('fetch-ended', ({ ending }) => ending === 'withdrawn')
    expect(gaveWay.reason).toContain('20 of them by this client')
    const own = await ask(served.port, '/small.bin', { localAddress: ATTACKER, keep: true })
    await own.readToEnd()
    const head = parseHead(own.raw())
    expect([head?.status, head?.field('retry-after')]).toEqual([200, undefined])
  })

  test('a client at its own cap is told to come back, and no other is cut for it', async () => {
    const served = await start(['--max-fetches', '18'])
    const several = await Promise.all(
      Array.from({ length: 18 }, () => ask(served.port, '/large.bin', { localAddress: ATTACKER })),
    )
    onTestFinished(() => resetAll(several))
    await Promise.all(several.map((client) => client.readBody(1000)))
    const { raw } = await exchange(served.port, request('/small.bin'), { localAddress: ATTACKER })
    const head = parseHead(raw)
    expect([head?.status, head?.field('retry-after')]).toEqual([503, '5'])
    expect(served.entries.filter(({ kind }) => kind === 'fetch-ended')).toEqual([])
  })

  test('connections without a request push out their like and not the one of another client', async () => {
    const served = await start(['--max-fetches', '4'])
    const patient = await connectRaw(served.port, { localAddress: GOOD, keep: true })
    patient.send('GET /small.bin HT')
    // 260 places for connections (4 fetches and 256 to spare), and 140 more.
    const crowd: RawClient[] = []
    onTestFinished(() => resetAll(crowd))
    for (let count = 0; count < 400; count += 1)
      crowd.push(await connectRaw(served.port, { localAddress: ATTACKER, keep: true }))
    const turnedAway = crowd[0]
    await turnedAway?.readToEnd()
    const head = parseHead(turnedAway?.raw() ?? Buffer.alloc(0))
    expect([head?.statusLine, head?.field('retry-after')]).toEqual(['HTTP/1.1 503 Service Unavailable', '5'])
    patient.send('TP/1.1\r\n\r\n')
    await patient.readToEnd()
    expect(patient.bodySha256()).toBe(sha256(SMALL))
    await patient.close()
    const refused = await served.entry('fetch-refused', ({ status }) => status === 503)
    expect([refused.client.address, refused.reason]).toEqual([ATTACKER, 'all connections were taken'])
  })

  test('a client that had its answer and makes room was recorded as refused once more', async () => {
    const served = await start(['--max-fetches', '4'])
    const answered = await connectRaw(served.port, { localAddress: GOOD, keep: true })
    answered.send(request('/no-such.bin'))
    await answered.readToEnd()
    const crowd: RawClient[] = []
    onTestFinished(() => resetAll([answered, ...crowd]))
    // Each of its own, so that the oldest connection of all makes room first.
    for (let count = 0; count < 280; count += 1) {
      const localAddress = `127.0.${1 + Math.floor(count / 200)}.${1 + (count % 200)}`
      crowd.push(await connectRaw(served.port, { localAddress, keep: true }))
    }
    const pushedOut = await served.entry('fetch-refused', ({ reason }) => reason.includes('all connections'))
    expect(pushedOut.client.address).toMatch(/^127\.0\.[12]\./)
    const refused = served.entries.flatMap((entry) => (entry.kind === 'fetch-refused' ? [entry] : []))
    expect(refused.filter(({ client }) => client.address === GOOD).map(({ status }) => status)).toEqual([404])
  })

  test('clients that take an image and never close are let go before descriptors run out', async () => {
    // Four waiting for each of 10 places.
    const served = await start(['--max-fetches', '10'])
    const clinging: RawClient[] = []
    onTestFinished(() => resetAll(clinging))
    const other = await ask(served.port, '/small.bin', { localAddress: GOOD })
    await other.readToEnd()
    for (let count = 0; count < 80; count += 1) {
      const client = await ask(served.port, '/small.bin', { localAddress: ATTACKER })
      await client.readBody(SMALL.length)
      clinging.push(client)
    }
    const first = clinging[0]
    const ended = await served.ended(first?.port ?? 0)
    expect(ended.ending).toBe('unconfirmed')
    await untilAtMost(() => descriptors(served), 80, 'descriptors')
    expect(served.entries.some((entry) => entry.kind === 'fetch-ended' && entry.ending === 'withdrawn')).toBe(
      false,
    )
    // The only one of its address still waits: it was not let go for the crowd.
    await other.close()
    expect((await served.ended(other.port)).ending).toBe('delivered')
  })
})

test('senders of half a request, readers of nothing and a flood: a good client is served, and all is given back', async () => {
  const served = await start(['--request-ms', '4000', '--max-fetches', '64'])
  await goodPull(served)
  const before = { descriptors: descriptors(served), kib: residentKib(served) }
  const crowd: RawClient[] = []
  onTestFinished(() => resetAll(crowd))
  for (let count = 0; count < 60; count += 1) {
    const deaf = await ask(served.port, '/large.bin')
    deaf.socket.pause()
    crowd.push(deaf)
  }
  for (let count = 0; count < 120; count += 1) {
    const slow = await connectRaw(served.port)
    slow.send('GET /small.bin HTTP/1.1\r\nX-Slow: ')
    crowd.push(slow)
  }
  const dripping = setInterval(() => {
    for (const client of crowd) if (!client.socket.destroyed && client.socket.writable) client.send('a')
  }, 500)
  onTestFinished(() => clearInterval(dripping))
  const flood = Promise.all(
    // Fewer than there are connections to spare, else the slow senders make room for the flood.
    Array.from({ length: 100 }, async () => {
      const { raw } = await exchange(served.port, request('/no-such.bin'))
      return parseHead(raw)?.status
    }),
  )
  for (let pull = 0; pull < 5; pull += 1) expect(await goodPull(served)).toBe(sha256(SMALL))
  expect(new Set(await flood)).toEqual(new Set([404]))
  // A byte now and then does not put off the time in which a request must have come.
  await crowd[60]?.readToEnd()
  const late = await served.entry('fetch-refused', ({ reason }) =>
    reason.includes('no complete request came within'),
  )
  expect(late.status).toBe(undefined)
  clearInterval(dripping)
  await resetAll(crowd)
  await untilAtMost(() => descriptors(served), before.descriptors + LATE_DESCRIPTORS, 'descriptors')
  expect(residentKib(served) - before.kib).toBeLessThan(200 * 1024)
  expect(await goodPull(served)).toBe(sha256(SMALL))
})
