/**
 * The life of one image from first sight to offer: settle, read, judge, offer or hold, and back to settling as
 * soon as the file moves. Every wait is followed by a look at the file itself, and whatever comes back from a
 * wait for an earlier state of the file is dropped (`moved`).
 */
import { isFetchproofError, systemCode } from '../errors.ts'
import { type OpenFile, sameButTouched, sameFile } from '../files/folder.ts'
import type { HoldReason } from '../ledger/entries.ts'
import type { CatalogueStore } from './catalogue-store.ts'
import { gapsOf } from './copy-traces.ts'
import type { Digests, Reading } from './digests.ts'
import type { FurtherDigests } from './further-digests.ts'
import type { Decided } from './holds.ts'
import type { Image, Version } from './image.ts'
import { type ImageFacts, snapshot } from './image-snapshot.ts'
import { EMPTY, heldText, lockedReason, settlingReason, writtenReason } from './image-words.ts'
import type { Judge, Judgement } from './judge.ts'
import { createJudging, type Judging } from './judging.ts'
import type { PlacedPath } from './plain-paths.ts'
import { isOld, type Quiet, quietNeededMs, type SettleTimes, settle } from './settling.ts'
import { type ImageStep, nextState } from './state.ts'
import type { Sight } from './watch.ts'

const RETRY_FIRST_MS = 250
const RETRY_MOST_MS = 5_000
/** How often it is asked whether another program still writes. */
const WRITER_AGAIN_MS = 1_000

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
  readonly judge: Judge
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

export interface ImageLife {
  readonly image: Image
  begin(): void
  seen(sight: Sight): void
  /** Another file's path changed its own. */
  moveTo(placed: PlacedPath): void
  /** Waits no longer for the file to be quiet. */
  readyNow(): void
  /** A person decided something: a hold, a lift, or that one of these was a mistake. */
  decided(): void
  /** What is known about the bytes is void, unless a look says that the file has moved: then that counts. */
  reread(): Promise<void>
  rejudge(): Promise<void>
  /** Waits for nothing any more; idempotent. */
  end(): void
  /** Tells those who were offered it, after the end. */
  removed(): void
}

/** What is known of the file only as long as it does not move. */
interface Stay {
  /** Aborted as soon as the file moves. */
  readonly moved: AbortController
  /** Since when, by the steady clock, the file has been the same. */
  readonly sinceMs: number
  readonly judging: Judging
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

export function createImageLife(options: LifeOptions, firstSight: Sight): ImageLife {
  const { times, clock, digests, further, store } = options
  const { name } = firstSight
  const known = store.find(name, firstSight.identity)
  let facts: ImageFacts = {
    file: options.file,
    sight: firstSight,
    placed: { name, path: `/${name}` },
    state: known === undefined ? 'settling' : 'reading',
    ...known,
  }
  let image = snapshot(facts)
  let stay = createStay()
  let timer: NodeJS.Timeout | undefined
  let ended = false

  function createStay(): Stay {
    const moved = new AbortController()
    return {
      moved,
      sinceMs: clock.steadyMs(),
      judging: createJudging({
        judge: () => options.inTurn(() => judgeOnce(moved.signal)),
        judged: (judgement, last) => {
          if (!still(moved.signal)) tellSettledness()
          else if (last) apply(judgement)
          else facts = { ...facts, judgement }
        },
        droppedOut: tellSettledness,
      }),
      impatient: false,
      retryMs: RETRY_FIRST_MS,
      background: false,
      touched: undefined,
      writer: undefined,
      asking: false,
    }
  }

  function still(signal: AbortSignal): boolean {
    return !ended && !signal.aborted
  }

  function tellSettledness(): void {
    if (ended) return
    const settling = image.state === 'settling' && stay.writer === undefined
    const busy = settling || image.state === 'reading' || stay.judging.running
    options.onSettledness(!busy)
  }

  function publish(change: Partial<ImageFacts>, quietly = false): void {
    facts = { ...facts, ...change }
    if (facts.state === 'settling') facts = { ...facts, ...settlingFacts() }
    image = snapshot(facts)
    tellSettledness()
    if (!quietly && !ended) options.onChanged(image)
  }

  function step(taken: ImageStep, change: Partial<ImageFacts> = {}): void {
    const state = nextState(image.state, taken)
    publish({
      reason: undefined,
      progress: undefined,
      settlesAtMs: undefined,
      hold: undefined,
      ...change,
      state,
    })
  }

  // settling

  /** The file is another one now (or is to be read anew: then nothing that was known of it stays). */
  function restart(sight: Sight, isVoid = false): void {
    const before = stay.touched ?? (isJudged(image) ? image : undefined)
    stay.moved.abort()
    clearTimeout(timer)
    stay = createStay()
    const isTouched = before !== undefined && !isVoid && sameButTouched(facts.sight.identity, sight.identity)
    if (isTouched) stay.touched = before
    const placed = options.place(undefined)
    step('moved', { sight, placed, version: undefined, judgement: undefined, lifted: undefined })
    if (before !== undefined && !isTouched) options.onLost(before, 'changed')
    proceed()
  }

  /** Read again after its change time moved: the same bytes were found whole before, others are another file. */
  function compareWithTouched(sha256: string): void {
    if (stay.touched === undefined) return
    if (stay.touched.version?.sha256 === sha256) {
      stay.impatient = true
      return
    }
    const before = stay.touched
    stay.touched = undefined
    options.onLost(before, 'changed')
  }

  /** Decides what a settling image does next. */
  function proceed(): void {
    clearTimeout(timer)
    if (ended || image.state !== 'settling') return
    const next = settle(quiet(), times)
    if (next.act === 'read') void read()
    else if (next.act === 'offer') void concludeUnwritten()
    // One millisecond more, so that rounding does not wake it too early.
    else timer = setTimeout(() => void lookThenProceed(), next.waitMs + 1)
  }

  /** Not while another program has the file open for writing, as far as the system shows it. */
  async function concludeUnwritten(): Promise<void> {
    const { signal } = stay.moved
    if (stay.asking) return
    stay.asking = true
    const writer = await options.writerOf(name).catch(() => undefined)
    if (!still(signal)) return
    stay.asking = false
    if (image.state !== 'settling') return
    if (writer === undefined) return conclude()
    stay.writer = writer
    publish({})
    clearTimeout(timer)
    timer = setTimeout(() => void lookThenProceed(), WRITER_AGAIN_MS)
  }

  function quiet(): Quiet {
    const { judgement, version, sight } = facts
    return {
      quietMs: clock.steadyMs() - stay.sinceMs,
      modifiedMs: sight.modifiedMs,
      changedMs: Number(sight.identity.ctimeNs / 1_000_000n),
      nowMs: clock.nowMs(),
      digested: version !== undefined,
      vouched: judgement?.sure === true && judgement.holds.length === 0,
      impatient: stay.impatient || (version === undefined && stay.touched !== undefined),
    }
  }

  /** When it will be offered if nothing moves any more, and what it waits for, for people. */
  function settlingFacts(): Pick<ImageFacts, 'settlesAtMs' | 'reason'> {
    if (stay.writer !== undefined) return { settlesAtMs: undefined, reason: writtenReason(stay.writer) }
    const now = quiet()
    const waitMs = stay.impatient ? 0 : Math.max(0, quietNeededMs(now, times) - now.quietMs)
    return { settlesAtMs: Math.round(clock.nowMs() + waitMs), reason: settlingReason(now.digested) }
  }

  async function lookThenProceed(): Promise<void> {
    const { signal } = stay.moved
    await options.look(name)
    if (still(signal)) proceed()
  }

  // reading

  async function read(): Promise<void> {
    const { signal } = stay.moved
    step('read', { progress: 0 })
    try {
      const result = await digests.read({
        bytes: Number(facts.sight.identity.size),
        signal,
        open: () => options.open(name),
        onProgress: (progress) => {
          if (still(signal) && image.state === 'reading') publish({ progress })
        },
      })
      if (!still(signal)) return
      // The name may lead to another file by now, although the one that was read did not change.
      await options.look(name)
      if (!still(signal)) return
      if (result.kind !== 'done' || !sameFile(result.value.identity, facts.sight.identity)) {
        return restart(facts.sight)
      }
      const version = versionOf(result.value, !isOld(quiet()))
      compareWithTouched(version.sha256)
      publish({ version, placed: options.place(version.sha256), progress: 1 })
      await stay.judging.now()
    } catch (error) {
      if (still(signal)) await readFailed(error)
    }
  }

  async function readFailed(error: unknown): Promise<void> {
    const { signal } = stay.moved
    await options.look(name)
    if (!still(signal)) return
    if (isFetchproofError(error, 'FP_IMAGE_CHANGED')) return restart(facts.sight)
    const reason = lockedReason(systemCode(error) ?? String(error))
    step('denied', { reason, version: undefined, judgement: undefined })
    clearTimeout(timer)
    timer = setTimeout(retry, stay.retryMs)
    stay.retryMs = Math.min(RETRY_MOST_MS, stay.retryMs * 2)
  }

  function retry(): void {
    clearTimeout(timer)
    if (!ended && image.state === 'locked') void read()
  }

  // judging

  async function judgeOnce(signal: AbortSignal): Promise<Judgement | undefined> {
    const { version, judgement, file } = facts
    if (version === undefined || !still(signal)) return undefined
    const judged = options.judge.judge({
      name,
      file,
      version,
      digest: async (algorithm) => {
        const value = await further.digest(name, version, algorithm, signal)
        if (still(signal)) learn({ [algorithm]: value })
        return value
      },
      ...(judgement !== undefined && { earlier: judgement }),
    })
    return judged.catch((error: unknown) => {
      if (still(signal)) throw error
      return undefined
    })
  }

  function learn(more: Readonly<Record<string, string>>): void {
    const { version, judgement } = facts
    if (version === undefined) return
    const learnt: Version = Object.freeze({ ...version, more: Object.freeze({ ...version.more, ...more }) })
    publish({ version: learnt })
    if (judgement !== undefined && isJudged(image)) store.put(name, learnt, judgement)
  }

  function apply(judgement: Judgement): void {
    const before = facts.judgement
    if (image.state === 'reading') {
      step('unsure', { judgement })
      proceed()
      return
    }
    const same = before !== undefined && sameJudgement(before, judgement)
    publish({ judgement }, same)
    if (image.state === 'settling') proceed()
    else if (!same) conclude()
  }

  /** Everything is known: ready, or held. Also called again when the judgement of a judged image changed. */
  function conclude(): void {
    const { version, judgement } = facts
    if (version === undefined || judgement === undefined) return
    const before = image
    const found = version.bytes === 0 ? [EMPTY] : judgement.holds
    const { hold, lifted } = options.decide(name, version.sha256, found)
    if (hold !== undefined) step('withhold', { reason: heldText(hold), hold, lifted })
    else step('offer', { lifted })
    options.keepPath()
    store.put(name, version, judgement)
    options.onJudged(image)
    const offered = stay.touched ?? before
    stay.touched = undefined
    if (offered.state === 'ready' && image.state === 'held') options.onLost(offered, 'held')
    void inBackground(version)
  }

  /** The other digests that devices and makers print; nobody waits for them. */
  async function inBackground(version: Version): Promise<void> {
    const { signal } = stay.moved
    if (stay.background) return
    stay.background = true
    const more = await further.rest(name, version, signal)
    if (more !== undefined && still(signal)) learn(more)
  }

  return {
    get image() {
      return image
    },
    begin() {
      const placed = options.place(known?.version.sha256)
      if (known === undefined) {
        publish({ placed })
        proceed()
        return
      }
      // The same file as when it was read: nothing to settle, only published checksums to compare again.
      stay.impatient = true
      publish({ placed, progress: 1 })
      void stay.judging.now()
      tellSettledness()
    },
    seen(sight) {
      if (!sameFile(facts.sight.identity, sight.identity)) restart(sight)
    },
    moveTo: (placed) => publish({ placed }),
    readyNow() {
      stay.impatient = true
      if (image.state === 'locked') retry()
      else void lookThenProceed()
    },
    decided() {
      if (isJudged(image)) return conclude()
      const { touched } = stay
      const sha256 = touched?.version?.sha256
      if (touched?.state !== 'ready' || sha256 === undefined) return
      if (options.decide(name, sha256, []).hold === undefined) return
      stay.touched = undefined
      options.onLost(touched, 'held')
    },
    async reread() {
      const { signal } = stay.moved
      await options.look(name)
      if (!still(signal)) return
      store.remove(name)
      restart(facts.sight, true)
    },
    async rejudge() {
      if (facts.version === undefined) return
      const judged = stay.judging.now()
      tellSettledness()
      await judged
    },
    end() {
      ended = true
      stay.moved.abort()
      clearTimeout(timer)
    },
    removed() {
      const last = stay.touched ?? image
      if (isJudged(last)) options.onLost(last, 'removed')
    },
  }
}

function isJudged(image: Image): boolean {
  return image.state === 'ready' || image.state === 'held'
}

function versionOf({ filling, ...reading }: Reading, isFresh: boolean): Version {
  const gaps = gapsOf(reading.bytes, filling, isFresh)
  return Object.freeze({ ...reading, more: Object.freeze({}), ...(gaps !== undefined && { gaps }) })
}

function sameJudgement(a: Judgement, b: Judgement): boolean {
  return JSON.stringify(a) === JSON.stringify(b)
}
