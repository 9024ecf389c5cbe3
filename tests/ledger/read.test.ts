import { appendFileSync, readFileSync, truncateSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, test } from 'vitest'
import { FIRST_PREV, MAX_LINE_BYTES } from '../../server/ledger/chain.ts'
import type { Entry } from '../../server/ledger/entries.ts'
import { checkLedger, LEDGER_FILE, readEntries } from '../../server/ledger/read.ts'
import { newFolder, opened, sealed, writeLines } from './records-folder.ts'
import { begun, ended, neighbour, VISIT } from './sample-entries.ts'

const LINES = sealed(VISIT)
const SUMS = LINES.map((line) => (JSON.parse(line) as Entry).sum)

async function all(batches: AsyncIterable<readonly Entry[]>): Promise<Entry[]> {
  const found: Entry[] = []
  for await (const batch of batches) found.push(...batch)
  return found
}

describe('reading entries', () => {
  test('gives them in order, as they were written', async () => {
    const file = writeLines(newFolder(), LINES)
    expect(await all(readEntries(file))).toEqual(LINES.map((line) => JSON.parse(line)))
  })

  test('does not see a last line that is being written', async () => {
    const file = writeLines(newFolder(), LINES.slice(0, 5))
    appendFileSync(file, LINES[5]?.slice(0, 40) ?? '')
    expect(await all(readEntries(file))).toHaveLength(5)
  })

  test('reads lines longer and shorter than what is read at once', async () => {
    const errors = (count: number) =>
      Array.from({ length: count }, (_unused, index) => `${index}`.padEnd(1000, 'é'))
    const entries = [neighbour(1), 900, 3, 400, neighbour(2), 5000].map((item) =>
      typeof item === 'number'
        ? ({ kind: 'sheet', file: 'visit.csv', sha256: FIRST_PREV, rows: [], errors: errors(item) } as const)
        : item,
    )
    const lines = sealed(entries.map((entry) => structuredClone(entry) as (typeof VISIT)[number]))
    const file = writeLines(newFolder(), lines)
    expect(await all(readEntries(file))).toEqual(lines.map((line) => JSON.parse(line)))
    expect(await checkLedger(file)).toMatchObject({ entries: 6, intact: true })
  })

  test('stops at a line that is no entry, or passes over it when asked to', async () => {
    const lines = LINES.with(3, '<<<<<<< mine')
    const file = writeLines(newFolder(), lines)
    const seen: Entry[] = []
    const reading = (async () => {
      for await (const batch of readEntries(file)) seen.push(...batch)
    })()
    await expect(reading).rejects.toMatchObject({ code: 'FP_LEDGER_BROKEN', fields: { line: 4 } })
    expect(seen).toHaveLength(3)
    expect(await all(readEntries(file, 'passed over'))).toHaveLength(LINES.length - 1)
  })

  test('says that there is no ledger', async () => {
    const missing = join(newFolder(), LEDGER_FILE)
    await expect(all(readEntries(missing))).rejects.toMatchObject({ code: 'FP_LEDGER_MISSING' })
    await expect(checkLedger(missing)).rejects.toMatchObject({ code: 'FP_LEDGER_MISSING' })
  })

  test('works while the writer appends', async () => {
    const ledger = await opened(newFolder())
    for (let id = 1; id <= 5000; id += 1) ledger.append(begun(id))
    let seen = 0
    let batches = 0
    for await (const batch of readEntries(ledger.file)) {
      batches += 1
      seen = batch.at(-1)?.seq ?? seen
      if (batches <= 3) ledger.append(ended(batches))
    }
    expect(seen).toBeGreaterThanOrEqual(5000)
    expect(batches).toBeGreaterThan(3)
    expect(await checkLedger(ledger.file)).toMatchObject({
      entries: 5003,
      intact: true,
      head: ledger.head.sum,
    })
  })
})

describe('checking a ledger', () => {
  test('finds an intact one intact, and an empty one too', async () => {
    const file = writeLines(newFolder(), LINES)
    expect(await checkLedger(file)).toEqual({
      entries: LINES.length,
      intact: true,
      head: SUMS.at(-1),
      tornBytes: 0,
    })
    const empty = writeLines(newFolder(), [])
    expect(await checkLedger(empty)).toEqual({ entries: 0, intact: true, head: FIRST_PREV, tornBytes: 0 })
  })

  test('finds every single changed byte of the file, newlines too, in the line where it is', {
    timeout: 120_000,
  }, async () => {
    const folder = newFolder()
    const file = writeLines(folder, LINES.slice(0, 8))
    const whole = readFileSync(file)
    let line = 1
    for (let at = 0; at < whole.length; at += 1) {
      const changed = Buffer.from(whole)
      changed[at] = (changed[at] ?? 0) ^ (1 << (at % 8))
      writeFileSync(file, changed)
      const { intact, firstBad } = await checkLedger(file)
      expect({ intact, line: firstBad?.line }, `byte ${at}`).toEqual({ intact: false, line })
      if (whole[at] === 0x0a) line += 1
    }
    expect(line).toBe(9)
  })

  test.each([
    ['missing', LINES.toSpliced(4, 1), 5, /line 5 is missing or moved/],
    ['missing at the beginning', LINES.slice(2), 1, /lines 1 to 2 are missing/],
    ['swapped', LINES.with(4, LINES[5] ?? '').with(5, LINES[4] ?? ''), 5, /missing or moved/],
    ['twice', LINES.toSpliced(5, 0, LINES[4] ?? ''), 6, /repeated or moved/],
    ['added by hand', LINES.toSpliced(5, 0, '{"kind":"closed"}'), 6, /does not begin and end/],
    ['taken from another ledger', LINES.with(4, sealed([...VISIT].reverse())[4] ?? ''), 5, /replaced/],
  ])('finds a line that is %s', async (_what, lines, line, why) => {
    const file = writeLines(newFolder(), lines)
    expect(await checkLedger(file)).toMatchObject({
      entries: lines.length,
      intact: false,
      firstBad: { line, why: expect.stringMatching(why) },
      head: SUMS[line - 2] ?? FIRST_PREV,
    })
  })

  test('finds bytes behind the last line', async () => {
    const file = writeLines(newFolder(), LINES)
    appendFileSync(file, '{"seq":19')
    expect(await checkLedger(file)).toMatchObject({
      intact: false,
      tornBytes: 9,
      firstBad: { line: LINES.length + 1 },
    })
  })

  test('finds a line that is longer than any, without keeping all of it', async () => {
    const file = writeLines(newFolder(), LINES)
    const piece = Buffer.alloc(1024 * 1024, 'x')
    for (let bytes = 0; bytes < MAX_LINE_BYTES * 2; bytes += piece.length) appendFileSync(file, piece)
    expect(await checkLedger(file)).toMatchObject({ intact: false, tornBytes: MAX_LINE_BYTES * 2 })
    appendFileSync(file, `\n${LINES[0]}\n`)
    const why = expect.stringContaining('longer than any line')
    expect(await checkLedger(file)).toMatchObject({
      entries: LINES.length + 2,
      firstBad: { line: LINES.length + 1, why },
      tornBytes: 0,
    })
  })
})

describe('a head that was printed earlier', () => {
  test('is found though the ledger has gone on since, in whatever letter case it was typed', async () => {
    const file = writeLines(newFolder(), LINES)
    const head = SUMS[9] ?? ''
    expect(await checkLedger(file, { head: ` ${head.toUpperCase()} ` })).toMatchObject({ intact: true })
    expect(await checkLedger(file, { head: FIRST_PREV })).toMatchObject({ intact: true })
  })

  test('shows that the tail was cut off at a line, which the chain alone does not', async () => {
    const file = writeLines(newFolder(), LINES.slice(0, 10))
    const head = SUMS.at(-1) ?? ''
    expect(await checkLedger(file)).toMatchObject({ intact: true })
    expect(await checkLedger(file, { head })).toMatchObject({
      intact: false,
      entries: 10,
      firstBad: { line: 11, why: expect.stringMatching(/cut off.*rewritten/) },
    })
  })

  test('shows that the ledger was rewritten whole', async () => {
    const file = writeLines(
      newFolder(),
      sealed(VISIT, (index) => Date.UTC(2026, 5, 1 + index)),
    )
    const head = SUMS.at(-1) ?? ''
    expect(await checkLedger(file)).toMatchObject({ intact: true })
    expect(await checkLedger(file, { head })).toMatchObject({
      intact: false,
      firstBad: { line: LINES.length + 1, why: expect.stringContaining('rewritten') },
    })
  })

  test('that is none is refused as such', async () => {
    const file = writeLines(newFolder(), LINES)
    await expect(checkLedger(file, { head: 'abc' })).rejects.toMatchObject({ code: 'FP_USAGE' })
  })

  test('a file cut in mid-line shows with or without it', async () => {
    const file = writeLines(newFolder(), LINES)
    truncateSync(file, readFileSync(file).length - 30)
    expect(await checkLedger(file)).toMatchObject({ intact: false, firstBad: { line: LINES.length } })
  })
})
