/**
 * Our verdict against the format's own tool: whole files, files cut off and files with one bit flipped, at
 * seeded random places. Longer runs stand in damage.slow.test.ts.
 */
import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { checkSource } from '../../../server/trust/formats/file-check.ts'
import { type ByteSource, sourceOfBytes } from '../../../server/trust/formats/source.ts'
import { allNeed } from '../../needs.ts'
import { tallyOf } from './damage.ts'
import { makeSamples, SAMPLE_KINDS, SAMPLE_TOOLS, type Sample } from './samples.ts'

const SEED = 20_260
const TIMES_A_FORMAT = 20

let folder = ''
let samples: Sample[] = []
const toolsAreHere = allNeed(...SAMPLE_TOOLS)
beforeAll(() => {
  if (!toolsAreHere) return
  folder = mkdtempSync(join(tmpdir(), 'formats-'))
  samples = makeSamples(folder)
})
afterAll(() => {
  rmSync(folder, { recursive: true, force: true })
})

/** Bytes of which one reading, counted from 1, fails as it does from a bad stick. */
function failingAt(failing: number, content: Buffer): ByteSource {
  const source = sourceOfBytes(content)
  let readings = 0
  return {
    ...source,
    read(at, length) {
      readings += 1
      if (readings === failing) throw Object.assign(new Error('EIO'), { code: 'EIO', syscall: 'read' })
      return source.read(at, length)
    },
  }
}

const ofKind = (kind: string) => samples.filter((sample) => sample.kind === kind)

describe.each(SAMPLE_KINDS)('%s', (kind) => {
  it('is sound when its own tool made it', async () => {
    for (const sample of ofKind(kind)) {
      const checked = await checkSource(sourceOfBytes(sample.bytes), sample.name)
      expect([sample.label, checked.kind, checked.verdict]).toEqual([sample.label, kind, 'sound'])
    }
  })

  it('is sound with padding or a signature behind it, and says so', async () => {
    for (const { label, bytes, name } of ofKind(kind)) {
      const padded = await checkSource(sourceOfBytes(Buffer.concat([bytes, Buffer.alloc(4096)])), name)
      expect([label, padded.verdict]).toEqual([label, 'sound'])
      const signature = Buffer.concat([bytes, Buffer.from('\nSIGNATURE\x01\x02\x03')])
      const signed = await checkSource(sourceOfBytes(signature), name)
      expect([label, signed.verdict]).toEqual([label, 'sound'])
      expect(signed.notes.join()).toMatch(/\d+ bytes follow the end/)
    }
  })

  it('was damaged when a reading failed within it: nothing is known then, and the check is tried again', async () => {
    for (const { label, bytes, name } of ofKind(kind)) {
      const outcomes: string[] = []
      for (let failing = 1; outcomes.at(-1) !== 'sound' && failing <= 10; failing += 1) {
        const source = failingAt(failing, bytes)
        outcomes.push(
          await checkSource(source, name).then(
            ({ verdict }) => verdict,
            ({ code }: NodeJS.ErrnoException) => String(code),
          ),
        )
      }
      expect([label, outcomes.filter((outcome) => outcome !== 'sound' && outcome !== 'EIO')]).toEqual([
        label,
        [],
      ])
    }
  })

  it.each(['cut', 'flip'] as const)('is damaged after a %s whenever its own tool says so', async (harm) => {
    const chosen = ofKind(kind)
    const times = Math.ceil(TIMES_A_FORMAT / chosen.length)
    let refused = 0
    for (const [index, sample] of chosen.entries()) {
      const tally = await tallyOf(sample, harm, times, SEED + index, folder)
      expect(tally.missed).toEqual([])
      refused += tally.found
    }
    // ELF and squashfs carry no checksums: their tools hardly notice a flipped bit.
    expect(refused).toBeGreaterThan(harm === 'cut' ? TIMES_A_FORMAT / 4 : -1)
  })
})
