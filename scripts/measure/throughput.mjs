// One cold client and 48 clients on a 32 MiB image, against plain @fastify/static and against a raw socket.
// Rounds of the three are interleaved, so that whatever else the machine does hits them alike.
import { mkdirSync } from 'node:fs'
import { join } from 'node:path'
import { median, pullRate, referenceServer, serve, writeImage } from './processes.mjs'

const ROUNDS = 7
const MEBIBYTES = 32

export async function measureThroughput(folder) {
  const staging = join(folder, 'throughput')
  mkdirSync(staging, { recursive: true })
  for (let at = 0; at < ROUNDS; at += 1) writeImage(join(staging, `image-${at}.bin`), MEBIBYTES)
  const ours = await serve(staging, ROUNDS)
  const raw = await referenceServer('raw', join(staging, 'image-0.bin'))
  const plain = await referenceServer('static', staging)
  try {
    const cold = { ours: [], raw: [], plain: [] }
    const many = { ours: [], raw: [], plain: [] }
    await pullRate(raw.port, '/', 4)
    await pullRate(plain.port, '/image-0.bin', 4)
    for (let round = 0; round < ROUNDS; round += 1) {
      const path = `/image-${round}.bin`
      cold.ours.push(await pullRate(ours.port, path, 1))
      cold.plain.push(await pullRate(plain.port, path, 1))
      cold.raw.push(await pullRate(raw.port, '/', 1))
    }
    for (let round = 0; round < ROUNDS; round += 1) {
      many.ours.push(await pullRate(ours.port, '/image-0.bin', 48))
      many.raw.push(await pullRate(raw.port, '/', 48))
      many.plain.push(await pullRate(plain.port, '/image-0.bin', 48))
    }
    return [
      row('one cold client, against plain @fastify/static', cold.ours, cold.plain, '>= 2.5'),
      row('one cold client, against a raw socket from memory', cold.ours, cold.raw, ''),
      row('48 clients on one 32 MiB image, against a raw socket from memory', many.ours, many.raw, '>= 0.95'),
      row('48 clients on one 32 MiB image, against plain @fastify/static', many.ours, many.plain, ''),
    ]
  } finally {
    await Promise.all([ours.stop(), raw.stop(), plain.stop()])
  }
}

function row(what, ours, reference, aim) {
  const [a, b] = [median(ours), median(reference)]
  return { what, ours: `${mega(a)} MB/s`, reference: `${mega(b)} MB/s`, ratio: (a / b).toFixed(2), aim }
}

function mega(rate) {
  return Math.round(rate / 1e6)
}
