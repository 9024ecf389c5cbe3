import { once } from 'node:events'
import { join } from 'node:path'
import { expect, test } from 'vitest'
import type { Entry } from '../../server/ledger/entries.ts'
import { checkLedger, LEDGER_FILE, readChecked } from '../../server/ledger/read.ts'
import { childProgram, startChild } from './child-process.ts'
import { newFolder } from './records-folder.ts'

const KILLS = 25

test('killing the writer at any moment loses no entry whose append had returned', {
  timeout: 240_000,
}, async () => {
  let total = 0
  let records = ''
  let acknowledged = new Map<number, string>()
  for (let kill = 0; kill < KILLS; kill += 1) {
    // A new ledger now and then, so that reading it back stays quick.
    if (kill % 5 === 0) {
      records = newFolder()
      acknowledged = new Map()
    }
    const file = join(records, LEDGER_FILE)
    const known = acknowledged
    const child = startChild(process.execPath, [childProgram('append-until-killed.mjs'), records])
    child.lines.on('line', (line) => {
      const [seq, sum] = line.split(' ')
      if (sum?.length === 64) known.set(Number(seq), sum)
    })
    await once(child.lines, 'line')
    await new Promise((resolve) => setTimeout(resolve, Math.random() * 60))
    const closed = once(child.lines, 'close')
    child.process.kill('SIGKILL')
    await Promise.all([once(child.process, 'exit'), closed])

    const sums = new Map<number, string>()
    const entries: Entry[] = []
    for await (const batch of readChecked(file)) entries.push(...batch)
    for (const { seq, sum } of entries) sums.set(seq, sum)
    const lost = [...known].filter(([seq, sum]) => sums.get(seq) !== sum)
    expect(lost).toEqual([])
    total += known.size
    const { firstBad, tornBytes } = await checkLedger(file)
    if (tornBytes === 0) expect(firstBad).toBeUndefined()
    if (kill % 5 > 0) expectRecovered(entries)
  }
  expect(total).toBeGreaterThan(KILLS * 20)
})

/** All fetches that earlier runs had left open have an ending, and no number was given twice. */
function expectRecovered(entries: readonly Entry[]): void {
  const lastRecovered = entries.findLastIndex((entry) => entry.kind === 'recovered')
  const begun = entries.flatMap((entry) => (entry.kind === 'fetch-begun' ? [entry.id] : []))
  const ended = new Set(entries.flatMap((entry) => (entry.kind === 'fetch-ended' ? [entry.id] : [])))
  const begunBefore = entries
    .slice(0, lastRecovered)
    .flatMap((entry) => (entry.kind === 'fetch-begun' ? [entry.id] : []))
  expect(lastRecovered).toBeGreaterThan(0)
  expect(begunBefore.filter((id) => !ended.has(id))).toEqual([])
  expect(new Set(begun).size).toBe(begun.length)
}
