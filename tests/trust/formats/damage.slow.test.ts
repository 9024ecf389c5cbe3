/** 200 cuts and 200 flipped bits a format against the format's own tool; prints the table of counts. */
import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, beforeAll, expect, it } from 'vitest'
import { allNeed } from '../../needs.ts'
import { type Tally, tallyOf } from './damage.ts'
import { makeSamples, SAMPLE_KINDS, SAMPLE_TOOLS, type Sample } from './samples.ts'

const SEED = 4_711
const TIMES_A_FORMAT = 200
/**
 * How many of 1,000 files the tool may refuse that we do not call damaged, where reasons are known: dtc also
 * refuses names that a flipped bit made equal to a neighbour's, readelf a segment of headers that lies outside
 * the loaded ones. Both are rules of meaning, not of wholeness. Seen: 2 and 1 of 200.
 */
const KNOWN_MISSES: Readonly<Record<string, number>> = { 'device tree, flip': 20, 'ELF, flip': 15 }

let folder = ''
let samples: Sample[] = []
const rows: string[] = []
const toolsAreHere = allNeed(...SAMPLE_TOOLS)
beforeAll(() => {
  if (!toolsAreHere) return
  folder = mkdtempSync(join(tmpdir(), 'formats-slow-'))
  samples = makeSamples(folder)
})
afterAll(() => {
  rmSync(folder, { recursive: true, force: true })
  process.stdout.write(
    `format, harm: tried / tool refuses and damaged / missed / stricter / neither\n${rows.join('\n')}\n`,
  )
})

it.each(SAMPLE_KINDS.flatMap((kind) => [[kind, 'cut'] as const, [kind, 'flip'] as const]))(
  '%s, %s: damaged whenever its own tool says so',
  async (kind, harm) => {
    const chosen = samples.filter((sample) => sample.kind === kind)
    const tallies: Tally[] = []
    for (const [index, sample] of chosen.entries()) {
      tallies.push(
        await tallyOf(sample, harm, Math.ceil(TIMES_A_FORMAT / chosen.length), SEED + index, folder),
      )
    }
    const sum = (of: (tally: Tally) => number) => tallies.reduce((total, tally) => total + of(tally), 0)
    const missed = tallies.flatMap((tally) => tally.missed)
    const tried = sum((tally) => tally.tried)
    rows.push(
      `${kind}, ${harm}: ${tried} / ${sum((t) => t.found)} / ${missed.length} / ${sum((t) => t.stricter)} / ${sum((t) => t.unseen)}`,
    )
    if (missed.length > 0) process.stdout.write(`${kind}, ${harm}, missed:\n${missed.join('\n')}\n`)
    expect((missed.length / tried) * 1000).toBeLessThanOrEqual(KNOWN_MISSES[`${kind}, ${harm}`] ?? 0)
  },
)
