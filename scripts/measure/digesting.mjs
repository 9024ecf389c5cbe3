// Digesting a 1 GiB image (whole, blocks and CRC-32 in one reading) against `sha256sum` and `openssl dgst`.
import { spawnSync } from 'node:child_process'
import { readFileSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { median, writeImage } from './processes.mjs'

const ROUNDS = 3
const GIBIBYTE = 1024 ** 3

export async function measureDigesting(folder) {
  const { createDigests } = await import('../../dist/server/staging/digests.js')
  const { openInside } = await import('../../dist/server/files/folder.js')
  const file = join(folder, 'digesting.bin')
  writeImage(file, 1024)
  readFileSync(file, { flag: 'r' }).length
  const digests = createDigests()
  const seconds = { ours: [], sha256sum: [], openssl: [] }
  const read = () =>
    digests.read({
      bytes: GIBIBYTE,
      open: () => openInside(folder, file),
      signal: new AbortController().signal,
      onProgress: () => undefined,
    })
  try {
    await read()
    for (let round = 0; round < ROUNDS; round += 1) {
      seconds.ours.push(await timed(read))
      seconds.openssl.push(await timed(() => spawnSync('openssl', ['dgst', '-sha256', file])))
      seconds.sha256sum.push(await timed(() => spawnSync('sha256sum', [file])))
    }
  } finally {
    await digests.close()
    rmSync(file)
  }
  return [
    row('digesting 1 GiB, against `openssl dgst -sha256`', seconds.ours, seconds.openssl, '>= 0.8'),
    row('digesting 1 GiB, against `sha256sum`', seconds.ours, seconds.sha256sum, ''),
  ]
}

async function timed(work) {
  const begun = performance.now()
  await work()
  return (performance.now() - begun) / 1000
}

function row(what, ours, reference, aim) {
  const [a, b] = [GIBIBYTE / median(ours), GIBIBYTE / median(reference)]
  return {
    what,
    ours: `${Math.round(a / 1e6)} MB/s`,
    reference: `${Math.round(b / 1e6)} MB/s`,
    ratio: (a / b).toFixed(2),
    aim,
  }
}
