// One cold client on a 256 MiB image (curl: a client in JavaScript is slower than what it measures) and 48 clients
// on one of 32 MiB, against plain @fastify/static and against a raw socket. Rounds of the three are interleaved, so
// that whatever else the machine does hits them alike.
import { mkdirSync } from 'node:fs'
import { join } from 'node:path'
import { curlRate, median, pullRate, referenceServer, serve, writeImage } from './processes.mjs'

const ROUNDS = 7
const MEBIBYTES = 32
const COLD_MEBIBYTES = 256

export async function measureThroughput(folder) {
  const staging = join(folder, 'throughput')
  mkdirSync(staging, { recursive: true })
  writeImage(join(staging, 'image.bin'), MEBIBYTES)
  for (let at = 0; at < ROUNDS; at += 1) writeImage(join(staging, `cold-${at}.bin`), COLD_MEBIBYTES)
  const ours = await serve(staging, ROUNDS + 1)
  const plain = await referenceServer('static', staging)
  const rawCold = await referenceServer('raw', join(staging, 'cold-0.bin'))
  const raw = await referenceServer('raw', join(staging, 'image.bin'))
  try {
    const cold = { ours: [], raw: [], plain: [] }
    const many = { ours: [], raw: [], plain: [] }
    // The first answers of a program are slow: all three have had some before anything counts.
    for (const { port } of [ours, plain, raw]) await pullRate(port, '/image.bin', 4)
    for (let round = 0; round < ROUNDS; round += 1) {
      const path = `/cold-${round}.bin`
      cold.ours.push(await curlRate(ours.port, path))
      cold.plain.push(await curlRate(plain.port, path))
      cold.raw.push(await curlRate(rawCold.port, path))
    }
    for (let round = 0; round < ROUNDS; round += 1) {
      many.ours.push(await pullRate(ours.port, '/image.bin', 48))
      many.raw.push(await pullRate(raw.port, '/image.bin', 48))
      many.plain.push(await pullRate(plain.port, '/image.bin', 48))
    }
    return [
      row('one cold client, against plain @fastify/static', cold.ours, cold.plain, '>= 2.5'),
      row('one cold client, against a raw socket from memory', cold.ours, cold.raw, ''),
      row('48 clients on one 32 MiB image, against a raw socket from memory', many.ours, many.raw, '>= 0.95'),
      row('48 clients on one 32 MiB image, against plain @fastify/static', many.ours, many.plain, ''),
    ]
  } finally {
    await Promise.all([ours, plain, raw, rawCold].map((server) => server.stop()))
  }
}

function row(what, ours, reference, aim) {
  const [a, b] = [median(ours), median(reference)]
  return { what, ours: `${mega(a)} MB/s`, reference: `${mega(b)} MB/s`, ratio: (a / b).toFixed(2), aim }
}

function mega(rate) {
  return Math.round(rate / 1e6)
}
