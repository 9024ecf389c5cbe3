// The TFTP door against a bare dgram loop that sends the same blocks from memory, in turns; and memory with 500 transfers
// of which most stand still.
import { mkdirSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import {
  freePort,
  median,
  referenceServer,
  residentMebibytes,
  serve,
  tftpClients,
  writeImage,
} from './processes.mjs'

const ROUNDS = 5
const CASES = [1, 48].flatMap((clients) =>
  [512, 1468].flatMap((blksize) => [1, 16].map((windowsize) => ({ clients, blksize, windowsize }))),
)
const STANDING = 490
const MOVING = 10

export async function measureTftp(folder) {
  const staging = join(folder, 'tftp')
  mkdirSync(staging, { recursive: true })
  const image = { 1: 'one.bin', 48: 'many.bin' }
  writeImage(join(staging, image[1]), 8)
  writeImage(join(staging, image[48]), 1)
  const port = await freePort()
  const server = await serve(staging, 2, ['--tftp', '--tftp-port', port, '--max-fetches', 2000])
  const bare = await referenceServer('dgram', staging)
  try {
    const rows = []
    for (const each of CASES) {
      const rates = { ours: [], bare: [] }
      for (let round = 0; round <= ROUNDS; round += 1) {
        const ours = await tftpRate(port, image[each.clients], each)
        const reference = await tftpRate(bare.port, image[each.clients], each)
        // The first answers of a program are slow.
        if (round === 0) continue
        rates.ours.push(ours)
        rates.bare.push(reference)
      }
      rows.push(row(each, rates))
    }
    return [...rows, ...(await memory(server, port))]
  } finally {
    await Promise.all([server.stop(), bare.stop()])
    rmSync(staging, { recursive: true })
  }
}

async function tftpRate(port, name, options) {
  const { result } = await tftpClients({ port, name, ...options, mode: 'whole' })
  return result.bytes / result.seconds
}

async function memory(server, port) {
  const idle = residentMebibytes(server.pid)
  const options = { port, blksize: 1468, windowsize: 16 }
  const standing = await tftpClients({ ...options, name: 'one.bin', clients: STANDING, mode: 'paused' })
  await tftpClients({ ...options, name: 'many.bin', clients: MOVING, mode: 'whole' })
  await wait(1_000)
  const busy = residentMebibytes(server.pid)
  await standing.release()
  return [
    {
      what: `resident memory, ${standing.result.open} transfers by TFTP that stand still, after ${MOVING} others`,
      ours: `${Math.round(busy)} MiB`,
      reference: `${Math.round(idle)} MiB before`,
      ratio: '',
      aim: '<= 256 MiB',
    },
  ]
}

function row({ clients, blksize, windowsize }, { ours, bare }) {
  const [a, b] = [median(ours), median(bare)]
  return {
    what: `TFTP, ${clients === 1 ? 'one client' : `${clients} clients`}, blksize ${blksize}, windowsize ${windowsize}, against a bare dgram loop from memory`,
    ours: `${(a / 1e6).toFixed(1)} MB/s`,
    reference: `${(b / 1e6).toFixed(1)} MB/s`,
    ratio: (a / b).toFixed(2),
    aim: '>= 0.7',
  }
}
