// Serving while format checks run on a 1 GiB image, against serving alone, in turns.
import { spawnSync } from 'node:child_process'
import { mkdirSync, renameSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { median, pullRate, serve, writeImage } from './processes.mjs'

const ROUNDS = 5

export async function measureChecks(folder) {
  const staging = join(folder, 'checks')
  mkdirSync(staging, { recursive: true })
  writeImage(join(staging, 'image.bin'), 32)
  const plain = join(folder, 'large')
  writeImage(plain, 1024)
  // Stored, not deflated: the check reads 1 GiB, inflates it and computes its CRC-32.
  spawnSync('gzip', ['-1', plain])
  const server = await serve(staging, 1)
  try {
    const alone = []
    for (let round = 0; round < ROUNDS; round += 1) alone.push(await pullRate(server.port, '/image.bin', 8))
    renameSync(`${plain}.gz`, join(staging, 'large.bin.gz'))
    let judged = false
    void server
      .line((line) => line.includes('"kind":"image"'))
      .then(() => {
        judged = true
      })
    // The digest comes first (measured elsewhere); the check of 1 GiB takes several seconds after it.
    await wait(3_000)
    const checking = []
    for (let round = 0; round < ROUNDS; round += 1)
      checking.push(await pullRate(server.port, '/image.bin', 8))
    if (judged) throw new Error('the check was over before serving beside it was measured')
    const [a, b] = [median(checking), median(alone)]
    return [
      {
        what: 'serving 8 clients while a 1 GiB gzip is checked, against alone',
        ours: `${Math.round(a / 1e6)} MB/s`,
        reference: `${Math.round(b / 1e6)} MB/s`,
        ratio: (a / b).toFixed(2),
        aim: '>= 0.9',
      },
    ]
  } finally {
    await server.stop()
    rmSync(staging, { recursive: true })
  }
}
