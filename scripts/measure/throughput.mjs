// One cold client on a 256 MiB image (curl: a client in JavaScript is slower than what it measures) and 48 clients
// on one of 32 MiB, against plain @fastify/static and against a raw socket. Rounds of the three are interleaved, so
// that whatever else the machine does hits them alike.
import { createHash } from 'node:crypto'
import { mkdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import {
  curlRate,
  median,
  processorSeconds,
  pullRate,
  referenceServer,
  serve,
  writeImage,
} from './processes.mjs'

const ROUNDS = 7
/** More, since the best of four that swing is the luckiest of them when each is seen a few times only. */
const ROUNDS_OF_MANY = 15
const CLIENTS = 48
const MEBIBYTE = 1024 * 1024
const MEBIBYTES = 32
const COLD_MEBIBYTES = 256

/** Bytes a write of the bare socket; 0: the image in one. */
const WRITES = [64 * 1024, 256 * 1024, 1024 * 1024, 0]

export async function measureThroughput(folder) {
  const staging = join(folder, 'throughput')
  mkdirSync(staging, { recursive: true })
  writeImage(join(staging, 'image.bin'), MEBIBYTES)
  for (let at = 0; at < ROUNDS; at += 1) writeImage(join(staging, `cold-${at}.bin`), COLD_MEBIBYTES)
  const ours = await serve(staging, ROUNDS + 1)
  const plain = await referenceServer('static', staging)
  const unverified = await referenceServer('unverified', staging)
  const raws = []
  for (const bytes of WRITES)
    raws.push(await referenceServer('raw', join(staging, 'image.bin'), bytes || MEBIBYTES * MEBIBYTE))
  const servers = [ours, plain, unverified, ...raws]
  try {
    // The first answers of a program are slow: all have had some before anything counts.
    for (const { port } of servers) await pullRate(port, '/image.bin', 4)
    return [
      ...(await oneColdClient({ ours, plain, unverified }, staging)),
      ...(await manyClients({ ours, plain, raws })),
    ]
  } finally {
    await Promise.all(servers.map((server) => server.stop()))
  }
}

/** Its bound: the time of the same reading and sending without a look at the bytes, and the digest's own on one core. */
async function oneColdClient({ ours, plain, unverified }, staging) {
  const rates = { ours: [], plain: [], bound: [] }
  for (let round = 0; round < ROUNDS; round += 1) {
    const path = `/cold-${round}.bin`
    rates.ours.push(await curlRate(ours.port, path))
    rates.plain.push(await curlRate(plain.port, path))
    const sending = 1 / (await curlRate(unverified.port, path))
    rates.bound.push(1 / (sending + 1 / digestRate(join(staging, path))))
  }
  return [
    row('one cold client, against plain @fastify/static', rates.ours, rates.plain, '>= 2.5'),
    row(
      'one cold client, against its bound: unverified, and the digest alone',
      rates.ours,
      rates.bound,
      '>= 0.95',
    ),
  ]
}

function digestRate(file) {
  const bytes = readFileSync(file)
  const begun = performance.now()
  createHash('sha256').update(bytes).digest()
  return (bytes.length * 1000) / (performance.now() - begun)
}

async function manyClients({ ours, plain, raws }) {
  const rates = { ours: [], plain: [], raws: raws.map(() => []) }
  const seconds = { ours: 0, plain: 0 }
  const pull = async (name, server) => {
    const before = processorSeconds(server.pid)
    rates[name].push(await pullRate(server.port, '/image.bin', CLIENTS))
    seconds[name] += processorSeconds(server.pid) - before
  }
  for (let round = 0; round < ROUNDS_OF_MANY; round += 1) {
    await pull('ours', ours)
    for (const [at, raw] of raws.entries())
      rates.raws[at].push(await pullRate(raw.port, '/image.bin', CLIENTS))
    await pull('plain', plain)
  }
  const best = rates.raws.reduce((one, other) => (median(other) > median(one) ? other : one))
  const gigabytes = (ROUNDS_OF_MANY * CLIENTS * MEBIBYTES * MEBIBYTE) / 1e9
  const [own, others] = [seconds.ours / gigabytes, seconds.plain / gigabytes]
  return [
    row(
      '48 clients on one 32 MiB image, against a raw socket from memory, its best size of writes',
      rates.ours,
      best,
      '>= 0.95',
    ),
    row('48 clients on one 32 MiB image, against plain @fastify/static', rates.ours, rates.plain, ''),
    {
      what: 'processor time for each GB served to them, against plain @fastify/static',
      ours: `${own.toFixed(2)} s`,
      reference: `${others.toFixed(2)} s`,
      ratio: (own / others).toFixed(2),
      aim: '< 1',
    },
  ]
}

function row(what, ours, reference, aim) {
  const [a, b] = [median(ours), median(reference)]
  return { what, ours: `${mega(a)} MB/s`, reference: `${mega(b)} MB/s`, ratio: (a / b).toFixed(2), aim }
}

function mega(rate) {
  return Math.round(rate / 1e6)
}
