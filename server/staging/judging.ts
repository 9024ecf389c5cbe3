/**
 * Judging one version of an image: one judgement at a time, and one more when something changed meanwhile (a
 * checksum file came while the format was being checked).
 */
import { messageOf } from '../errors.ts'
import type { Judgement } from './judge.ts'

export type Judging = ReturnType<typeof createJudging>

interface JudgingOptions {
  /** Undefined when the version is not the present one any more. */
  readonly judge: () => Promise<Judgement | undefined>
  /** `last` is false when one more judgement follows. */
  readonly judged: (judgement: Judgement, last: boolean) => void
  /** Ended without a judgement. */
  readonly droppedOut: () => void
}

export function createJudging({ judge, judged, droppedOut }: JudgingOptions) {
  let running: Promise<void> | undefined
  let again = false

  async function run(): Promise<void> {
    for (;;) {
      again = false
      const judgement = await judge().catch(uncheckable)
      const last = !again || judgement === undefined
      if (last) running = undefined
      if (judgement === undefined) droppedOut()
      else judged(judgement, last)
      if (last) return
    }
  }

  return {
    get running(): boolean {
      return running !== undefined
    },
    /** Judges what is known now; resolves when no further judgement is due. Never rejects. */
    now(): Promise<void> {
      if (running === undefined) running = run()
      else again = true
      return running
    },
  }
}

function uncheckable(error: unknown): Judgement {
  const why = messageOf(error)
  return {
    published: { standing: 'none' },
    format: { kind: 'unknown', verdict: 'unknown' },
    notes: [],
    holds: [{ cause: 'unchecked', reason: `It could not be checked: ${why}` }],
    sure: false,
  }
}
