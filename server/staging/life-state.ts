/** What the parts of an image's life share: the facts that its snapshot is made from, and what ends when it moves. */
import type { OpenFile } from '../files/folder.ts'
import type { HoldReason } from '../ledger/entries.ts'
import type { CatalogueStore } from './catalogue-store.ts'
import type { Digests } from './digests.ts'
import type { FurtherDigests } from './further-digests.ts'
import type { Decided } from './holds.ts'
import type { Image } from './image.ts'
import { type ImageFacts, snapshot } from './image-snapshot.ts'
import { type ImageStep, nextState } from './image-states.ts'
import { settlingReason, writtenReason } from './image-words.ts'
import type { Judge } from './judge.ts'
import type { PlacedPath } from './plain-paths.ts'
import { type Quiet, quietNeededMs, type SettleTimes } from './settling.ts'

const RETRY_FIRST_MS = 250

export interface Clock {
  /** Wall clock, ms since the epoch: compared with modification times. */
  readonly nowMs: () => number
  /** A clock that only goes forward: for how long nothing moved. */
  readonly steadyMs: () => number
}

export interface LifeOptions {
  /** Absolute path. */
  readonly file: string
  readonly times: SettleTimes
  readonly clock: Clock
  readonly judge: Pick<Judge, 'judge'>
  /** Few are judged at once, whatever comes into the folder. */
  readonly inTurn: <T>(work: () => Promise<T>) => Promise<T>
  readonly digests: Digests
  readonly further: FurtherDigests
  readonly store: CatalogueStore
  /** Its plain path, now that its digest is this. */
  readonly place: (sha256: string | undefined) => PlacedPath
  /** Its path has been offered, and stays with it. */
  readonly keepPath: () => void
  readonly open: (name: string) => Promise<OpenFile>
  /** Looks at the file now; ends in `seen`, or in the end of this life. */
  readonly look: (name: string) => Promise<void>
  /** Who holds the file open for writing, in words. */
  readonly writerOf: (name: string) => Promise<string | undefined>
  /** What holds a version in which this was found, after all that persons decided. */
  readonly decide: (name: string, sha256: string, found: readonly HoldReason[]) => Decided
  readonly onChanged: (image: Image) => void
  readonly onJudged: (image: Image) => void
  readonly onLost: (image: Image, why: 'removed' | 'changed' | 'held') => void
  /** Settled is what is ready, held or locked, and not being judged. */
  readonly onSettledness: (settled: boolean) => void
}

/** What is known of the file only as long as it does not move. */
interface Unmoved {
  /** Aborted as soon as the file moves, or the image's life ends. */
  readonly moved: AbortController
  /** Since when, by the steady clock, the file has been the same. */
  readonly sinceMs: number
  /** A judgement is under way, and one more is due after it. */
  judging: Promise<void> | undefined
  judgeAgain: boolean
  impatient: boolean
  retryMs: number
  /** The background digests of this version have been asked for. */
  background: boolean
  /**
   * As it was offered or held before its change time moved and nothing else: the fetches that are under way go on
   * (each of their blocks is verified) until the bytes turn out to be others.
   */
  touched: Image | undefined
  /** Another program had the file open for writing when it was to be offered. */
  writer: string | undefined
  asking: boolean
}

/** As it is right after the file moved. */
export function unmovedSince(sinceMs: number): Unmoved {
  return {
    moved: new AbortController(),
    sinceMs,
    judging: undefined,
    judgeAgain: false,
    impatient: false,
    retryMs: RETRY_FIRST_MS,
    background: false,
    touched: undefined,
    writer: undefined,
    asking: false,
  }
}

export type LifeState = ReturnType<typeof createLifeState>

export function createLifeState(options: LifeOptions, facts: ImageFacts) {
  let timer: NodeJS.Timeout | undefined
  const life = {
    options,
    name: facts.sight.name,
    facts,
    image: snapshot(facts),
    unmoved: unmovedSince(options.clock.steadyMs()),
    get ended(): boolean {
      return life.unmoved.moved.signal.aborted
    },
    tellSettledness(): void {
      if (life.ended) return
      const { image, unmoved } = life
      const settling = image.state === 'settling' && unmoved.writer === undefined
      options.onSettledness(!settling && image.state !== 'reading' && unmoved.judging === undefined)
    },
    publish(change: Partial<ImageFacts>, quietly = false): void {
      life.facts = { ...life.facts, ...change }
      if (life.facts.state === 'settling') life.facts = { ...life.facts, told: toldOfSettling(life) }
      life.image = snapshot(life.facts)
      life.tellSettledness()
      if (!quietly && !life.ended) options.onChanged(life.image)
    },
    step(taken: ImageStep, told: ImageFacts['told'], change: Partial<ImageFacts> = {}): void {
      life.publish({ ...change, told, state: nextState(life.image.state, taken) })
    },
    /** One thing at a time is waited for. */
    wakeIn(ms: number, wake: () => void): void {
      clearTimeout(timer)
      timer = setTimeout(wake, ms)
    },
    waitNoLonger: (): void => clearTimeout(timer),
  }
  return life
}

export function quietOf({ options, facts, unmoved }: LifeState): Quiet {
  const { clock } = options
  const { judgement, version, sight } = facts
  return {
    quietMs: clock.steadyMs() - unmoved.sinceMs,
    modifiedMs: sight.modifiedMs,
    changedMs: Number(sight.identity.ctimeNs / 1_000_000n),
    nowMs: clock.nowMs(),
    digested: version !== undefined,
    vouched: judgement?.sure === true && judgement.holds.length === 0,
    impatient: unmoved.impatient || (version === undefined && unmoved.touched !== undefined),
  }
}

/** When it will be offered if nothing moves any more, and what it waits for, for people. */
function toldOfSettling(life: LifeState): ImageFacts['told'] {
  const { options, unmoved } = life
  if (unmoved.writer !== undefined) return { reason: writtenReason(unmoved.writer) }
  const now = quietOf(life)
  const waitMs = unmoved.impatient ? 0 : Math.max(0, quietNeededMs(now, options.times) - now.quietMs)
  return { settlesAtMs: Math.round(options.clock.nowMs() + waitMs), reason: settlingReason(now.digested) }
}
