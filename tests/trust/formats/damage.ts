/** Cuts and single flipped bits, and how our verdict compares with the format's own tool. */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { checkFormat } from '../../../server/trust/formats/file-check.ts'
import { type Sample, seeded } from './samples.ts'

export interface Tally {
  readonly label: string
  readonly tried: number
  /** The tool refuses the file, and we say damaged. */
  found: number
  /** The tool refuses the file, and we do not say damaged. */
  readonly missed: string[]
  /** The tool accepts the file, and we say damaged. */
  stricter: number
  /** Neither objects: bytes that no check covers. */
  unseen: number
}

export type Harm = 'cut' | 'flip'

/** Harms `sample` at `times` seeded random places and compares verdicts. */
export async function tallyOf(
  sample: Sample,
  harm: Harm,
  times: number,
  seed: number,
  folder: string,
): Promise<Tally> {
  const random = seeded(seed)
  const tally: Tally = {
    label: `${sample.label}, ${harm}`,
    tried: times,
    found: 0,
    missed: [],
    stricter: 0,
    unseen: 0,
  }
  const file = join(folder, `harmed-${sample.name}`)
  for (let round = 0; round < times; round += 1) {
    const { bytes, what } = harmed(sample.bytes, harm, random)
    writeFileSync(file, bytes)
    const checked = await checkFormat(file, sample.name)
    const refused = !sample.accepts(file)
    const damaged = checked.verdict === 'damaged'
    if (refused && damaged) tally.found += 1
    else if (refused)
      tally.missed.push(`${what}: ${checked.kind} ${checked.verdict} (${checked.detail ?? ''})`)
    else if (damaged) tally.stricter += 1
    else tally.unseen += 1
  }
  return tally
}

function harmed(bytes: Buffer, harm: Harm, random: () => number): { bytes: Buffer; what: string } {
  const at = Math.floor(random() * bytes.length)
  if (harm === 'cut')
    return { bytes: bytes.subarray(0, Math.max(1, at)), what: `cut at ${at} of ${bytes.length}` }
  const bit = Math.floor(random() * 8)
  const flipped = Buffer.from(bytes)
  flipped.writeUInt8(flipped.readUInt8(at) ^ (1 << bit), at)
  return { bytes: flipped, what: `bit ${bit} of byte ${at} of ${bytes.length} flipped` }
}
