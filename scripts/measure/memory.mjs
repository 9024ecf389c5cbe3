// Resident memory with 48 and with 1,000 clients that have read a little and stopped, each at an offset of its own.
import { mkdirSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { pausedClients, pullRate, residentMebibytes, serve, writeImage } from './processes.mjs'

export async function measureMemory(folder) {
  const staging = join(folder, 'memory')
  mkdirSync(staging, { recursive: true })
  writeImage(join(staging, 'image.bin'), 1024)
  const server = await serve(staging, 1, ['--max-fetches', 2000])
  try {
    const idle = residentMebibytes(server.pid)
    const few = await pausedClients(server.port, '/image.bin', 48)
    await wait(2_000)
    const with48 = residentMebibytes(server.pid)
    await few.release()
    const many = await pausedClients(server.port, '/image.bin', 1000)
    await pullRate(server.port, '/image.bin', 8)
    await wait(2_000)
    const with1000 = residentMebibytes(server.pid)
    await many.release()
    return [
      row('resident memory, idle', idle, ''),
      row('resident memory, 48 paused clients', with48, ''),
      row(
        `resident memory, ${many.open} paused clients, after 8 others pulled 1 GiB each`,
        with1000,
        '<= 256 MiB',
      ),
    ]
  } finally {
    await server.stop()
    rmSync(staging, { recursive: true })
  }
}

function row(what, mebibytes, aim) {
  return { what, ours: `${Math.round(mebibytes)} MiB`, reference: '', ratio: '', aim }
}
