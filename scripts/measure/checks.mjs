// Serving while format checks run on a 1 GiB image, against serving alone, in turns.
import { spawnSync } from 'node:child_process'
import { mkdirSync, renameSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { median, pullRate, serve, writeImage } from './processes.mjs'

const ROUNDS = 7
const WARM_UP_ROUNDS = 5
const CLIENTS = 4

const pull = (server) => pullRate(server.port, '/image.bin', CLIENTS)

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
    for (let round = 0; round < WARM_UP_ROUNDS; round += 1) await pull(server)
    for (let round = 0; round < ROUNDS; round += 1) alone.push(await pull(server))
    renameSync(`${plain}.gz`, join(staging, 'large.bin.gz'))
    let judged = false
    void server
      .line((line) => line.includes('"kind":"image"'))
      .then(() => {
        judged = true
      })
    // The digest comes first (measured elsewhere), in about a second.
    await wait(1_500)
    const checking = []
    for (;;) {
      const rate = await pull(server)
      // A round in which the check came to its end says nothing.
      if (judged) break
      checking.push(rate)
    }
    // The machine's own pace drifts: serving alone is measured before and after.
    for (let round = 0; round < ROUNDS; round += 1) alone.push(await pull(server))
    if (checking.length < 3) throw new Error('the check was over before serving beside it was measured')
    const [a, b] = [median(checking), median(alone)]
    return [
      {
        what: `serving ${CLIENTS} clients while a 1 GiB gzip is checked, against alone`,
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
