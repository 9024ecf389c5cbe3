/** Crowds by the thousand: clients that say nothing, half of it, or read nothing, each from one of 40 addresses. */
import { readFileSync } from 'node:fs'
import { expect, onTestFinished, test } from 'vitest'
import { connectRaw, exchange, parseHead, type RawClient, request } from '../clients/raw-client.ts'
import { imageBytes, serveFiles, sha256 } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { descriptors, LATE_DESCRIPTORS, residentKib, untilAtMost } from './process-facts.ts'

const SMALL = imageBytes(20_000, 'small')
const LARGE = imageBytes(24 * 1024 * 1024, 'large')
const EACH = 1500
const AT_ONCE = 100
const ROUNDS = 40

/** Linux: Node raises the soft limit to the hard one by itself, here and in the server. */
const descriptorsAllowed = (): number =>
  Number(/^Max open files\s+\d+\s+(\d+)/m.exec(readFileSync('/proc/self/limits', 'utf8'))?.[1])

test(`${3 * EACH} clients that hold on: a good one is served ${ROUNDS} times meanwhile, and all is given back`, {
  timeout: 600_000,
  ...needs('Linux'),
}, async () => {
  expect(descriptorsAllowed(), 'raise the hard limit of open files (ulimit -Hn)').toBeGreaterThan(4 * EACH)
  const served = await serveFiles(
    { 'small.bin': SMALL, 'large.bin': LARGE },
    {
      cleanUp: onTestFinished,
      flags: ['--request-ms', '20000'],
    },
  )
  const good = async (): Promise<void> => {
    const { raw, client } = await exchange(served.port, request('/small.bin'), {
      localAddress: '127.0.1.7',
    })
    expect(parseHead(raw)?.status).toBe(200)
    expect(client.bodySha256()).toBe(sha256(SMALL))
  }
  await good()
  const before = { descriptors: descriptors(served), kib: residentKib(served) }
  const crowd: RawClient[] = []
  const resetAll = async (): Promise<void> => {
    await Promise.all(crowd.map((client) => client.reset()))
  }
  onTestFinished(resetAll)
  const says = ['', 'GET /large.bin HTTP/1.1\r\nX-Slow: ', request('/large.bin')]
  for (let at = 0; at < 3 * EACH; at += AT_ONCE) {
    const batch = Array.from({ length: AT_ONCE }, async (_none, nth) => {
      const localAddress = `127.0.2.${1 + ((at + nth) % 40)}`
      const client = await connectRaw(served.port, { localAddress })
      client.socket.pause()
      const text = says[(at + nth) % says.length]
      if (text !== undefined && text !== '') client.send(text)
      return client
    })
    crowd.push(...(await Promise.all(batch)))
    if (at % (3 * AT_ONCE) === 0) await good()
  }
  for (let pull = 0; pull < ROUNDS; pull += 1) {
    // A byte of the header now and then.
    for (const client of crowd) if (client.socket.writable) client.send('a')
    await good()
  }
  // Fetches that fill all buffers and stall pin one piece each: 512 places, and the cache of blocks.
  expect(residentKib(served) - before.kib).toBeLessThan(700 * 1024)
  await resetAll()
  await untilAtMost(() => descriptors(served), before.descriptors + LATE_DESCRIPTORS, 'descriptors', 60_000)
  await good()
  const refused = served.entries.filter((entry) => entry.kind === 'fetch-refused')
  expect(refused.filter(({ status }) => status !== undefined && ![400, 503].includes(status))).toEqual([])
  expect(await served.stop()).toBe(0)
})
