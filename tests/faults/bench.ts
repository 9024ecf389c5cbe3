/** What the bench page of a running server shows: its snapshot, read over loopback at the port of the lock file. */
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import type { Snapshot } from '../../server/bench/snapshot-shape.ts'
import type { LockHolder } from '../../server/ledger/lock.ts'

const DEADLINE_MS = 20_000

/** `records`: the folder of the ledger. */
export async function snapshotText(records: string): Promise<string> {
  const pagePort = await pagePortOf(records)
  const answer = await fetch(`http://127.0.0.1:${pagePort}/api/snapshot`, {
    signal: AbortSignal.timeout(DEADLINE_MS),
  })
  if (answer.status !== 200) throw new Error(`the bench page answered ${answer.status}`)
  return answer.text()
}

/** The page listens a moment after the image port. */
export async function pagePortOf(records: string): Promise<number> {
  const deadline = performance.now() + DEADLINE_MS
  for (;;) {
    const { pagePort } = JSON.parse(readFileSync(join(records, 'lock.json'), 'utf8')) as LockHolder
    if (pagePort !== null) return pagePort
    if (performance.now() > deadline) throw new Error('the bench page does not listen')
    await pause(25)
  }
}

export async function snapshotOf(records: string): Promise<Snapshot> {
  return JSON.parse(await snapshotText(records)) as Snapshot
}

/** Asks until the snapshot is as wanted: the page says everything by what it shows, and has no event to wait for. */
export async function shown(
  records: string,
  wanted: (snapshot: Snapshot) => boolean,
  deadlineMs = DEADLINE_MS,
): Promise<Snapshot> {
  const deadline = performance.now() + deadlineMs
  for (;;) {
    const snapshot = await snapshotOf(records)
    if (wanted(snapshot)) return snapshot
    if (performance.now() > deadline) {
      const { troubles, nextSteps, ledger } = snapshot
      throw new Error(`not shown in ${deadlineMs} ms: ${JSON.stringify({ troubles, nextSteps, ledger })}`)
    }
    await pause(50)
  }
}
