// A long evening behind the server: what its past costs at the start, in memory, and at each update of the page.
import { mkdirSync, readFileSync, statSync } from 'node:fs'
import { get } from 'node:http'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { bareLoop } from '../measure/audit.mjs'
import { writeLedger } from '../measure/ledgers.mjs'
import { median, processorSeconds, residentMebibytes, serve, writeBytes } from '../measure/processes.mjs'

const WATCHED_S = 10
const ROUNDS = 3

export async function measurePast(folder, count) {
  const staging = join(folder, 'past')
  mkdirSync(staging)
  const ledger = await writeLedger(staging, count, { refusals: count })
  writeBytes(join(staging, 'small.bin'), 1_000)
  const bare = median(
    [await bareLoop(ledger), await bareLoop(ledger), await bareLoop(ledger)].map(({ cores }) => cores),
  )
  const fixed = await startWithoutPast(folder)
  const server = await serve(staging, 1)
  const start = processorSeconds(server.pid)
  const grown = Math.max(0, start - fixed)
  try {
    const pulls = smallPulls(server.port)
    await wait(3_000)
    const idle = residentMebibytes(server.pid)
    const updates = []
    for (let round = 0; round < ROUNDS; round += 1) updates.push(await updateMs(server.pid, staging))
    const update = median(updates)
    pulls.stop()
    const mebibytes = Math.max(idle, residentMebibytes(server.pid))
    const entries = `${(count * 3).toLocaleString('en')} entries, ${Math.round(statSync(ledger).size / 1024 ** 2)} MiB`
    const cells = [
      `a past of ${count.toLocaleString('en')} pulls and as many refusals (${entries})`,
      `an update of the page takes ${update.toFixed(1)} ms of a core`,
      `start ${start.toFixed(1)} s of a core, ${fixed.toFixed(1)} s of it without a past; a bare read-and-parse loop ${bare.toFixed(1)} s: ${(start / bare).toFixed(1)} times, what the past adds alone ${(grown / bare).toFixed(1)}`,
      '',
      `${Math.round(mebibytes)} MiB`,
    ]
    const missed = [
      !(update <= 10) && 'update over 10 ms',
      !(start <= 2 * bare) && 'start over 2 × the bare loop',
      mebibytes > 300 && 'over 300 MiB',
    ].filter(Boolean)
    return [{ cells, missed }]
  } finally {
    await server.stop()
  }
}

async function startWithoutPast(folder) {
  const staging = join(folder, 'no-past')
  mkdirSync(staging)
  writeBytes(join(staging, 'small.bin'), 1_000)
  const server = await serve(staging, 1)
  const seconds = processorSeconds(server.pid)
  await server.stop()
  return seconds
}

/** What an update of an open page takes: with one and without one, one after the other, since the machine's own pace drifts. */
async function updateMs(pid, staging) {
  const without = await busyMs(pid)
  const page = openPage(staging)
  await wait(3_000)
  const seen = page.updates()
  const busy = (await busyMs(pid)) - without
  const updates = page.updates() - seen
  page.close()
  await wait(1_000)
  return Math.max(0, busy) / updates
}

/** Time on the processors in `WATCHED_S` seconds. */
async function busyMs(pid) {
  const before = processorSeconds(pid)
  await wait(WATCHED_S * 1_000)
  return (processorSeconds(pid) - before) * 1_000
}

/** Four a second, so that there is something new in each update. */
function smallPulls(port) {
  const timer = setInterval(() => {
    fetch(`http://127.0.0.1:${port}/small.bin`)
      .then((answer) => answer.arrayBuffer())
      .catch(() => undefined)
  }, 250)
  return { stop: () => clearInterval(timer) }
}

function openPage(staging) {
  const { pagePort } = JSON.parse(readFileSync(join(staging, '.fetchproof', 'lock.json'), 'utf8'))
  let updates = 0
  const request = get({ host: '127.0.0.1', port: pagePort, path: '/api/stream' }, (response) => {
    response.setEncoding('utf8').on('data', (text) => {
      updates += text.split('\n').filter((line) => line.startsWith('data: {')).length
    })
  })
  return { updates: () => updates, close: () => request.destroy() }
}
