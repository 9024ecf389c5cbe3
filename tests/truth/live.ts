/** What the page of a running server shows of the visit, held against what a replay of its ledger says. */
import { readFileSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import type { Snapshot } from '../../server/bench/snapshot-shape.ts'
import { createVisitView, type VisitRowView } from '../../server/bench/visit-view.ts'
import type { Plan } from '../../server/visit/plan.ts'
import type { ReadSheet } from '../../server/visit/visit-file.ts'
import { inProcess } from '../commands/in-process.ts'

/** What is under way ends, and what ended is synced, within this time. */
const AT_REST_MS = 30_000
const DIFFERENCES_SHOWN = 5

export async function planOnRecord(folder: string): Promise<Plan> {
  const { stdout, stderr } = await inProcess(['audit', folder, '--plan', '--format', 'json'])
  const { plan } = JSON.parse(stdout || '{}') as { plan: Plan | null }
  if (plan == null) throw new Error(`no plan: ${stderr}`)
  return plan
}

/** Differences between the two, once nothing is under way any more. */
export async function liveAgainstReplay(folder: string): Promise<string[]> {
  const limit = Date.now() + AT_REST_MS
  let different: string[] = []
  do {
    different = differences(await rowsOfPage(folder), rowsOf(await planOnRecord(folder)))
    if (different.length === 0) return []
    await pause(500)
  } while (Date.now() < limit)
  return different.slice(0, DIFFERENCES_SHOWN)
}

async function rowsOfPage(folder: string): Promise<readonly VisitRowView[]> {
  const lock = readFileSync(join(folder, '.fetchproof', 'lock.json'), 'utf8')
  const { pagePort } = JSON.parse(lock) as { pagePort: number }
  const answer = await fetch(`http://127.0.0.1:${pagePort}/api/snapshot`)
  const { board } = (await answer.json()) as Snapshot
  return board.rows
    .filter(({ planned }) => planned)
    .map(({ key, planned, own, ...row }) => row)
    .sort(byDevice)
}

function byDevice(a: VisitRowView, b: VisitRowView): number {
  return a.device < b.device ? -1 : 1
}

function rowsOf(plan: Plan): readonly VisitRowView[] {
  const sheet: ReadSheet = { file: '', sha256: '', errors: [], warnings: [], rows: [], columns: [] }
  return [...(createVisitView({ plan: () => plan, sheet })()?.rows ?? [])].sort(byDevice)
}

function differences(live: readonly VisitRowView[], replayed: readonly VisitRowView[]): string[] {
  if (live.length !== replayed.length) return [`${live.length} rows live, ${replayed.length} replayed`]
  return replayed.flatMap((row, at) => {
    const [shown, told] = [JSON.stringify(live[at]), JSON.stringify(row)]
    return shown === told ? [] : [`live is not replay: ${shown} | ${told}`]
  })
}
