// What is derived of very many ranges (as clients of block devices ask, 512 bytes each), of very many devices whose
// hardware addresses come late, and of a long ledger at start-up: twice as much must take about twice as long.
import { rmSync } from 'node:fs'
import { join } from 'node:path'
import { writeLedger } from './ledgers.mjs'
import { median, processorSeconds, serve } from './processes.mjs'

const BLOCK = 512
const IMAGE = { name: 'blocks.bin', plainPath: '/blocks.bin', sha256: 'ab'.repeat(32) }

/** Entries applied as a running server applies them. */
async function feeder(bytes) {
  const { createDerived } = await import('../../dist/server/depot/derived.js')
  const derived = createDerived(() => null)
  const image = { ...IMAGE, bytes }
  let seq = 0
  const put = (entry) => {
    seq += 1
    const at = new Date(1_790_000_000_000 + seq).toISOString()
    const whole = { seq, at, prev: '', sum: '', ...entry }
    derived.ahead.apply(whole)
    derived.apply(whole)
  }
  return {
    /** `between`: what is put on record while it is under way. */
    fetch(address, first, last, between) {
      const id = seq + 1
      const promised = last - first + 1
      const local = { localAddress: '192.0.2.10', localPort: 8080, method: 'GET', target: '/blocks.bin' }
      const asked = { ...local, httpVersion: '1.1', range: `bytes=${first}-${last}`, image }
      const client = { address, port: 40_000 }
      put({ kind: 'fetch-begun', id, client, ...asked, status: 206, promised, first, upMs: seq })
      if (between !== undefined) put(between)
      const ending = { ending: 'delivered', acknowledged: true, bytesHandedOver: promised, firstByteMs: 1 }
      put({ kind: 'fetch-ended', id, ...ending, durationMs: 2 })
    },
    pulls: () => derived.pulls.pulls(),
  }
}

/** The page asks for all pulls now and then. */
async function rangesInOnePull(count) {
  const fed = await feeder(count * BLOCK)
  for (let at = 0; at < count; at += 1) {
    fed.fetch('192.0.2.31', at * BLOCK, at * BLOCK + BLOCK - 1)
    if (at % 50_000 === 0) fed.pulls()
  }
  const pulls = fed.pulls()
  if (pulls.length !== 1 || pulls[0].state !== 'complete')
    throw new Error(`${pulls.length} pulls, ${pulls[0]?.state}`)
  return fed
}

/** The page asks as often whoever comes: five times in all. */
async function devices(count) {
  const fed = await feeder(1_000)
  for (let at = 0; at < count; at += 1) {
    const [high, middle, low] = [at >> 16, (at >> 8) & 255, at & 255]
    const address = `10.${high}.${middle}.${low}`
    // Locally administered: no maker's.
    const mac = `02:00:00:${[high, middle, low].map((part) => part.toString(16).padStart(2, '0')).join(':')}`
    fed.fetch(address, 0, 999, { kind: 'neighbour', address, mac })
    if (at % (count / 5) === 0) fed.pulls()
  }
  const pulls = fed.pulls()
  if (pulls.length !== count || pulls.some(({ client }) => client.mac === null))
    throw new Error('not all are known')
  return fed
}

/** This program's processor time alone, so that a busy machine counts little. */
async function ownProcessorSeconds(work) {
  const begun = process.cpuUsage()
  await work()
  const { user, system } = process.cpuUsage(begun)
  return (user + system) / 1_000_000
}

async function bytesAPull(count) {
  const before = heapBytes()
  const fed = await devices(count)
  const bytes = (heapBytes() - before) / count
  fed.pulls()
  return bytes
}

function heapBytes() {
  globalThis.gc()
  return process.memoryUsage().heapUsed
}

/** Of a core, until the page and the image port listen, with all of the ledger read. */
async function startSeconds(folder, pulls) {
  const staging = join(folder, `start-${pulls}`)
  await writeLedger(staging, pulls)
  const server = await serve(staging, 0)
  await server.line((line) => line.includes('"kind":"opened"'))
  const seconds = processorSeconds(server.pid)
  await server.stop()
  rmSync(staging, { recursive: true })
  return seconds
}

export async function measurePulls(folder) {
  const row = (what, once, twice) => ({
    what,
    ours: `${twice.toFixed(1)} s`,
    reference: `${once.toFixed(1)} s`,
    ratio: (twice / once).toFixed(2),
    aim: '<= 2.2',
  })
  await devices(2_000)
  const ranges = [1_000_000, 2_000_000].map(
    (count) => () => ownProcessorSeconds(() => rangesInOnePull(count)),
  )
  // Five times, each with a tidy heap: once is over too soon to tell, and the collector comes when it likes.
  const late = [20_000, 40_000].map((count) => async () => {
    const seconds = []
    for (let time = 0; time < 5; time += 1) {
      globalThis.gc()
      seconds.push(await ownProcessorSeconds(() => devices(count)))
    }
    return median(seconds)
  })
  const memory = await bytesAPull(20_000)
  return [
    row('pulls of 2,000,000 ranges of 512 bytes, against 1,000,000', await ranges[0](), await ranges[1]()),
    row(
      'pulls of 40,000 devices with late hardware addresses, against 20,000',
      await late[0](),
      await late[1](),
    ),
    row(
      'start-up with a ledger of 1,000,000 entries (500 MB), against 500,000',
      await startSeconds(folder, 250_000),
      await startSeconds(folder, 500_000),
    ),
    {
      what: 'memory for each pull kept',
      ours: `${(memory / 1024).toFixed(1)} KiB`,
      reference: '',
      ratio: '',
      aim: '',
    },
  ]
}
