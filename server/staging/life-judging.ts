/** An image is judged, again whenever checksum texts change; and what its digests are, as far as they become known. */
import { isJudged, type Version } from './image.ts'
import type { Judgement } from './judge.ts'
import { createJudging } from './judging.ts'
import { RETRY_FIRST_MS } from './life-reading.ts'
import type { LifeState, Unmoved } from './life-state.ts'

/** As it is right after the file moved. */
export function createUnmoved(life: LifeState): Unmoved {
  const moved = new AbortController()
  return {
    moved,
    sinceMs: life.options.clock.steadyMs(),
    judging: createJudging({
      judge: () => life.options.inTurn(() => judgeOnce(life, moved.signal)),
      judged(judgement, last) {
        if (!life.still(moved.signal)) life.tellSettledness()
        else if (last) apply(life, judgement)
        else life.facts = { ...life.facts, judgement }
      },
      droppedOut: life.tellSettledness,
    }),
    impatient: false,
    retryMs: RETRY_FIRST_MS,
    background: false,
    touched: undefined,
    writer: undefined,
    asking: false,
  }
}

async function judgeOnce(life: LifeState, signal: AbortSignal): Promise<Judgement | undefined> {
  const { options, name } = life
  const { version, judgement, file } = life.facts
  if (version === undefined || !life.still(signal)) return undefined
  const judged = options.judge.judge({
    name,
    file,
    version,
    digest: async (algorithm) => {
      const value = await options.further.digest(name, version, algorithm, signal)
      if (life.still(signal)) learn(life, { [algorithm]: value })
      return value
    },
    ...(judgement !== undefined && { earlier: judgement }),
  })
  return judged.catch((error: unknown) => {
    if (life.still(signal)) throw error
    return undefined
  })
}

export function learn(life: LifeState, more: Readonly<Record<string, string>>): void {
  const { version, judgement } = life.facts
  if (version === undefined) return
  const learnt: Version = Object.freeze({ ...version, more: Object.freeze({ ...version.more, ...more }) })
  life.publish({ version: learnt })
  if (judgement !== undefined && isJudged(life.image)) life.options.store.put(life.name, learnt, judgement)
}

function apply(life: LifeState, judgement: Judgement): void {
  const before = life.facts.judgement
  if (life.image.state === 'reading') {
    life.step('unsure', { judgement })
    life.next.proceed()
    return
  }
  const same = before !== undefined && JSON.stringify(before) === JSON.stringify(judgement)
  life.publish({ judgement }, same)
  if (life.image.state === 'settling') life.next.proceed()
  else if (!same) life.next.conclude()
}
