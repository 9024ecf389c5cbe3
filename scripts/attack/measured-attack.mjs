// One attack: a server of its own, an attacker and good devices beside it, and what was seen.
import { spawn } from 'node:child_process'
import { mkdirSync, readdirSync, rmSync, statSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { fileURLToPath } from 'node:url'
import { lastLine, residentMebibytes, serve, writeBytes, writeImage } from '../measure/processes.mjs'

const SMALL_BYTES = 64 * 1024
const LARGE_MEBIBYTES = 16
const here = (name) => fileURLToPath(new URL(name, import.meta.url))

/** `attack`: one of ATTACKS; without one the good devices are alone. `alone`: the figures of such a run. */
export async function measureAttack(folder, attack, seconds, alone) {
  const staging = join(folder, (attack?.kind ?? 'alone').replaceAll(' ', '-'))
  mkdirSync(staging)
  writeBytes(join(staging, 'small.bin'), SMALL_BYTES)
  writeImage(join(staging, 'large.bin'), LARGE_MEBIBYTES)
  const server = await serve(staging, 2)
  const ledger = join(staging, '.fetchproof', 'ledger.ndjson')
  try {
    const attacker =
      attack && started('attacker.mjs', [attack.kind, server.port, '/large.bin', LARGE_MEBIBYTES * 1024 ** 2])
    await wait(1_500)
    const before = statSync(ledger).size
    const good = started('good-device.mjs', [server.port, '/small.bin', SMALL_BYTES])
    const most = await watched(server.pid, seconds)
    const grown = statSync(ledger).size - before
    const seen = await ended(good)
    const { done = 0 } = attack === undefined ? {} : await ended(attacker)
    return rowOf(
      attack,
      { ...figuresOf(seen), ...seen, ...most, grown, done: done / (seconds + 1.5) },
      seconds,
      alone,
    )
  } finally {
    await server.stop()
    rmSync(staging, { recursive: true })
  }
}

function started(script, args) {
  return spawn(process.execPath, [here(script), ...args.map(String)], {
    stdio: ['ignore', 'pipe', 'inherit'],
  })
}

async function ended(child) {
  const line = lastLine(child)
  child.kill('SIGTERM')
  return JSON.parse(await line)
}

/** The most memory and open files while it went on. */
async function watched(pid, seconds) {
  let mebibytes = 0
  let descriptors = 0
  for (let look = 0; look < seconds * 4; look += 1) {
    await wait(250)
    mebibytes = Math.max(mebibytes, residentMebibytes(pid))
    descriptors = Math.max(descriptors, readdirSync(`/proc/${pid}/fd`).length)
  }
  return { mebibytes, descriptors }
}

function figuresOf({ firstByte, endOfStream }) {
  return {
    first: [percentile(firstByte, 0.5), percentile(firstByte, 0.99)],
    end: [percentile(endOfStream, 0.5), percentile(endOfStream, 0.99)],
  }
}

function percentile(values, share) {
  const sorted = [...values].sort((a, b) => a - b)
  return sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * share))] ?? Number.NaN
}

function rowOf(attack, figures, seconds, alone) {
  const { first, end, begun, complete, refused, dropped, mebibytes, descriptors, grown, done } = figures
  const pair = ([median, worst]) => `${median.toFixed(1)} / ${worst.toFixed(0)} ms`
  const rate =
    attack &&
    (attack.unit === 'bytes' ? `${(done / 1e6).toFixed(0)} MB` : `${Math.round(done)} ${attack.unit}`)
  const counted = [
    refused > 0 && `${refused} refused`,
    dropped > 0 && `${dropped} dropped by the kernel`,
  ].filter(Boolean)
  const cells = [
    attack === undefined ? 'none' : `${attack.what} (${rate} a second)`,
    pair(first),
    pair(end),
    `${complete} of ${begun}${counted.length === 0 ? '' : ` (${counted.join(', ')})`}`,
    `${Math.round(mebibytes)} MiB, ${descriptors}, ${(grown / seconds / 1024).toFixed(0)} KiB/s`,
  ]
  const missed = alone === undefined ? [] : missedAims(figures, alone)
  return { cells, missed, figures }
}

/** First byte within ten times alone and never over a second; the end of stream within 300 ms and what it is alone. */
function missedAims({ first, end, begun, complete, dropped }, alone) {
  return [
    !(first[0] <= 10 * alone.first[0]) && `first byte over 10 × alone`,
    !(first[1] < 1_000) && 'first byte over 1 s',
    !(end[1] <= 300 + alone.end[1]) && 'end of stream later than 300 ms beyond alone',
    // The last ones may be under way when it is over.
    complete < 0.97 * (begun - dropped) - 3 && 'good pulls that were not complete',
  ].filter(Boolean)
}
