/**
 * The life of each image from first sight to offer: settle, read, judge, offer or hold, and back to settling as
 * soon as the file moves. Every wait is followed by a look at the file itself, and whatever comes back from a
 * wait for an earlier state of the file is dropped (`still`).
 */
import { FetchproofError, systemCode } from '../errors.ts'
import { createAtMost } from './at-most.ts'
import type { CatalogueStore } from './catalogue-store.ts'
import type { Digests, Reading } from './digests.ts'
import { type OpenFile, sameFile } from './folder.ts'
import type { FurtherDigests } from './further-digests.ts'
import type { Image, Version } from './image.ts'
import { type ImageFacts, snapshot } from './image-snapshot.ts'
import type { Judge, Judgement } from './judge.ts'
import type { PlacedPath, PlainPaths } from './plain-paths.ts'
import { type Quiet, quietNeededMs, type SettleTimes, settle } from './settling.ts'
import { type ImageStep, nextState } from './state.ts'
import type { Sight } from './watch.ts'

const JUDGED_AT_ONCE = 2
const RETRY_FIRST_MS = 250
const RETRY_MOST_MS = 5_000
const EMPTY = 'It is an empty file (0 bytes). Copy it again.'

export interface Clock {
  /** Wall clock, ms since the epoch: compared with modification times. */
  readonly nowMs: () => number
  /** A clock that only goes forward: for how long nothing moved. */
  readonly steadyMs: () => number
}

export type Lift = { readonly by: string; readonly reason: string }

export interface LifeOptions {
  readonly times: SettleTimes
  readonly clock: Clock
  readonly judge: Judge
  readonly digests: Digests
  readonly further: FurtherDigests
  readonly store: CatalogueStore
  readonly paths: PlainPaths
  /** Absolute path of a name. */
  readonly fileOf: (name: string) => string
  readonly open: (name: string) => Promise<OpenFile>
  /** Looks at the file now; ends in seen() or gone(). */
  readonly look: (name: string) => Promise<void>
  readonly liftOf: (name: string, sha256: string) => Lift | undefined
  readonly onChanged: (image: Image) => void
  readonly onJudged: (image: Image) => void
  readonly onLost: (image: Image, why: 'removed' | 'changed' | 'held') => void
  readonly onGone: (image: Image) => void
}

interface Life {
  facts: ImageFacts
  image: Image
  /** Since when, by the steady clock, the file has been the same. */
  sinceMs: number
  impatient: boolean
  /** Aborted as soon as the file moves. */
  moved: AbortController
  timer: NodeJS.Timeout | undefined
  retryMs: number
  /** A person's or another part's hold on this version. */
  hold: string | undefined
  judging: Promise<void> | undefined
  judgeAgain: boolean
  /** The background digests of this version have been asked for. */
  background: boolean
}

export interface ImageLives {
  get(name: string): Image | undefined
  all(): Iterable<Image>
  seen(sight: Sight): void
  gone(name: string): void
  readyNow(name: string): void
  hold(name: string, reason: string): void
  /** A lift of this version was noted: it counts at once where the image is held. */
  lifted(name: string, sha256: string): void
  reread(name: string): void
  rejudge(name: string): Promise<void>
  /** Names of images that are neither ready, held nor locked, or are being judged. */
  unsettled(): ReadonlySet<string>
  close(): void
}

export function createImageLives(options: LifeOptions): ImageLives {
  const { times, clock, judge, digests, further, store, paths } = options
  const lives = new Map<string, Life>()
  const unsettled = new Set<string>()
  const judgeAtMost = createAtMost(JUDGED_AT_ONCE)
  let closed = false

  function publish(life: Life, change: Partial<ImageFacts>, quietly = false): void {
    life.facts = { ...life.facts, ...change }
    if (life.facts.state === 'settling') life.facts = { ...life.facts, ...settlingFacts(life) }
    life.image = snapshot(life.facts)
    const { name, state } = life.image
    if (state === 'settling' || state === 'reading' || life.judging !== undefined) unsettled.add(name)
    else unsettled.delete(name)
    if (!quietly && !closed) options.onChanged(life.image)
  }

  function step(life: Life, taken: ImageStep, change: Partial<ImageFacts> = {}): void {
    const state = nextState(life.image.state, taken)
    publish(life, { reason: undefined, progress: undefined, settlesAtMs: undefined, ...change, state })
  }

  function repath(placements: readonly PlacedPath[]): void {
    for (const placed of placements) {
      const life = lives.get(placed.name)
      if (life !== undefined) publish(life, { placed })
    }
  }

  function current(name: string): Life {
    const life = lives.get(name)
    if (life !== undefined) return life
    throw new FetchproofError('FP_IMAGE_UNKNOWN', {
      image: name,
      folder: 'the staging folder',
      hint: 'Its name is written as in the folder, letter for letter.',
    })
  }

  const still = (life: Life, signal: AbortSignal) =>
    !closed && !signal.aborted && lives.get(life.facts.sight.name) === life

  // settling

  function begin(sight: Sight): void {
    const { name } = sight
    const known = store.find(name, sight.identity)
    const placements = paths.place(name, known?.version.sha256)
    const placed = paths.get(name) ?? { name, path: `/${name}` }
    const facts: ImageFacts = {
      file: options.fileOf(name),
      sight,
      placed,
      state: known === undefined ? 'settling' : 'reading',
      ...(known === undefined ? {} : known),
    }
    const life: Life = {
      facts,
      image: snapshot(facts),
      sinceMs: clock.steadyMs(),
      impatient: false,
      moved: new AbortController(),
      timer: undefined,
      retryMs: RETRY_FIRST_MS,
      hold: undefined,
      judging: undefined,
      judgeAgain: false,
      background: false,
    }
    lives.set(name, life)
    repath(placements.filter((other) => other.name !== name))
    if (known === undefined) {
      publish(life, {})
      proceed(life)
      return
    }
    // The same file as when it was read: nothing to settle, only published checksums to compare again.
    life.impatient = true
    publish(life, { progress: 1 })
    void judgeNow(life)
  }

  /** The file is another one now (or is to be read anew): everything known about its bytes is void. */
  function restart(life: Life, sight: Sight): void {
    const before = life.image
    const { name } = sight
    life.moved.abort()
    life.moved = new AbortController()
    life.judging = undefined
    life.judgeAgain = false
    life.background = false
    clearTimeout(life.timer)
    life.sinceMs = clock.steadyMs()
    life.impatient = false
    life.hold = undefined
    life.retryMs = RETRY_FIRST_MS
    const placements = paths.place(name, undefined)
    const placed = paths.get(name) ?? life.facts.placed
    step(life, 'moved', { sight, placed, version: undefined, judgement: undefined, lifted: undefined })
    repath(placements.filter((other) => other.name !== name))
    if (isJudged(before)) options.onLost(before, 'changed')
    proceed(life)
  }

  /** Decides what a settling image does next. */
  function proceed(life: Life): void {
    clearTimeout(life.timer)
    if (closed || life.image.state !== 'settling') return
    const next = settle(quietOf(life), times)
    if (next.act === 'read') void read(life)
    else if (next.act === 'offer') conclude(life)
    // One millisecond more, so that rounding does not wake it too early.
    else life.timer = setTimeout(() => void lookThenProceed(life), next.waitMs + 1)
  }

  function quietOf(life: Life): Quiet {
    const { judgement, version, sight } = life.facts
    return {
      quietMs: clock.steadyMs() - life.sinceMs,
      modifiedAgoMs: clock.nowMs() - sight.modifiedMs,
      digested: version !== undefined,
      vouched: judgement?.sure === true && judgement.hold === undefined,
      impatient: life.impatient,
    }
  }

  /** When it will be offered if nothing moves any more, and what it waits for, for people. */
  function settlingFacts(life: Life): Pick<ImageFacts, 'settlesAtMs' | 'reason'> {
    const quiet = quietOf(life)
    const waitMs = life.impatient ? 0 : Math.max(0, quietNeededMs(quiet, times) - quiet.quietMs)
    return { settlesAtMs: Math.round(clock.nowMs() + waitMs), reason: settlingReason(life.facts) }
  }

  async function lookThenProceed(life: Life): Promise<void> {
    const { signal } = life.moved
    await options.look(life.facts.sight.name)
    if (still(life, signal)) proceed(life)
  }

  // reading

  async function read(life: Life): Promise<void> {
    const { signal } = life.moved
    const { sight } = life.facts
    step(life, 'read', { progress: 0 })
    try {
      const result = await digests.read({
        bytes: Number(sight.identity.size),
        signal,
        open: () => options.open(sight.name),
        onProgress: (progress) => {
          if (still(life, signal) && life.image.state === 'reading') publish(life, { progress })
        },
      })
      if (!still(life, signal)) return
      // The name may lead to another file by now, although the one that was read did not change.
      await options.look(sight.name)
      if (!still(life, signal)) return
      if (result.kind !== 'done' || !sameFile(result.value.identity, sight.identity)) {
        return restart(life, life.facts.sight)
      }
      const version = versionOf(result.value)
      const placements = paths.place(sight.name, version.sha256)
      const placed = paths.get(sight.name) ?? life.facts.placed
      publish(life, { version, placed, progress: 1 })
      repath(placements.filter((other) => other.name !== sight.name))
      await judgeNow(life)
    } catch (error) {
      if (still(life, signal)) await readFailed(life, error)
    }
  }

  async function readFailed(life: Life, error: unknown): Promise<void> {
    const { signal } = life.moved
    await options.look(life.facts.sight.name)
    if (!still(life, signal)) return
    if (error instanceof FetchproofError && error.code === 'FP_IMAGE_CHANGED') {
      return restart(life, life.facts.sight)
    }
    const cause = systemCode(error) ?? String(error)
    step(life, 'denied', { reason: lockedReason(cause), version: undefined, judgement: undefined })
    clearTimeout(life.timer)
    life.timer = setTimeout(() => retry(life), life.retryMs)
    life.retryMs = Math.min(RETRY_MOST_MS, life.retryMs * 2)
  }

  function retry(life: Life): void {
    clearTimeout(life.timer)
    if (!closed && life.image.state === 'locked') void read(life)
  }

  // judging

  /** Judges what is known now; a call during a judgement makes one more follow. */
  function judgeNow(life: Life): Promise<void> {
    if (life.judging !== undefined) {
      life.judgeAgain = true
      return life.judging
    }
    const { signal } = life.moved
    const judging = judgeOnce(life, signal)
      .catch((error) => judgeFailed(life, signal, error))
      .then((judgement) => {
        if (life.judging === judging) life.judging = undefined
        if (judgement === undefined || !still(life, signal)) return settledAgain(life)
        if (life.judgeAgain) {
          life.judgeAgain = false
          life.facts = { ...life.facts, judgement }
          return judgeNow(life)
        }
        apply(life, judgement)
      })
    life.judging = judging
    unsettled.add(life.facts.sight.name)
    return judging
  }

  function settledAgain(life: Life): void {
    if (lives.get(life.facts.sight.name) === life) publish(life, {}, true)
  }

  async function judgeOnce(life: Life, signal: AbortSignal): Promise<Judgement | undefined> {
    return judgeAtMost(async () => {
      const { version, judgement, file, sight } = life.facts
      if (version === undefined || !still(life, signal)) return undefined
      return judge.judge({
        name: sight.name,
        file,
        version,
        digest: async (algorithm) => {
          const value = await further.digest(sight.name, version, algorithm, signal)
          if (still(life, signal)) learn(life, { [algorithm]: value })
          return value
        },
        ...(judgement === undefined ? {} : { earlier: judgement }),
      })
    })
  }

  function judgeFailed(life: Life, signal: AbortSignal, error: unknown): Judgement | undefined {
    if (!still(life, signal)) return undefined
    const why = error instanceof Error ? error.message : String(error)
    return {
      published: { standing: 'none' },
      format: { kind: 'unknown', verdict: 'unknown' },
      notes: [],
      hold: `It could not be checked: ${why}`,
      sure: false,
    }
  }

  function learn(life: Life, more: Readonly<Record<string, string>>): void {
    const { version, judgement } = life.facts
    if (version === undefined) return
    const learnt: Version = Object.freeze({ ...version, more: Object.freeze({ ...version.more, ...more }) })
    publish(life, { version: learnt })
    if (judgement !== undefined && isJudged(life.image)) store.put(life.image.name, learnt, judgement)
  }

  function apply(life: Life, judgement: Judgement): void {
    const before = life.facts.judgement
    if (life.image.state === 'reading') {
      step(life, 'unsure', { judgement })
      proceed(life)
      return
    }
    publish(life, { judgement }, before !== undefined && sameJudgement(before, judgement))
    if (life.image.state === 'settling') proceed(life)
    else if (before === undefined || !sameJudgement(before, judgement)) conclude(life)
  }

  /** Everything is known: ready, or held. Also called again when the judgement of a judged image changed. */
  function conclude(life: Life): void {
    const { version, judgement } = life.facts
    const { name } = life.image
    if (version === undefined || judgement === undefined) return
    const wasReady = life.image.state === 'ready'
    const before = life.image
    const lifted = options.liftOf(name, version.sha256)
    const judged = version.bytes === 0 ? EMPTY : judgement.hold
    const reason = life.hold ?? (lifted === undefined ? judged : undefined)
    if (reason !== undefined) step(life, 'withhold', { reason, lifted: undefined })
    else step(life, 'offer', { lifted: judged === undefined ? undefined : lifted })
    paths.keep(name)
    store.put(name, version, judgement)
    options.onJudged(life.image)
    if (wasReady && life.image.state === 'held') options.onLost(before, 'held')
    void inBackground(life)
  }

  /** The other digests that devices and makers print; nobody waits for them. */
  async function inBackground(life: Life): Promise<void> {
    const { signal } = life.moved
    const { version, sight } = life.facts
    if (version === undefined || life.background) return
    life.background = true
    const more = await further.rest(sight.name, version, signal)
    if (more !== undefined && still(life, signal)) learn(life, more)
  }

  return {
    get: (name) => lives.get(name)?.image,
    *all() {
      for (const life of lives.values()) yield life.image
    },
    seen(sight) {
      const life = lives.get(sight.name)
      if (closed) return
      if (life === undefined) begin(sight)
      else if (!sameFile(life.facts.sight.identity, sight.identity)) restart(life, sight)
    },
    gone(name) {
      const life = lives.get(name)
      if (life === undefined || closed) return
      life.moved.abort()
      clearTimeout(life.timer)
      lives.delete(name)
      unsettled.delete(name)
      store.remove(name)
      repath(paths.remove(name))
      if (isJudged(life.image)) options.onLost(life.image, 'removed')
      options.onGone(life.image)
    },
    readyNow(name) {
      const life = current(name)
      life.impatient = true
      if (life.image.state === 'locked') retry(life)
      else void lookThenProceed(life)
    },
    hold(name, reason) {
      const life = current(name)
      life.hold = reason
      const before = life.image
      if (before.state !== 'ready') return
      step(life, 'withhold', { reason })
      options.onLost(before, 'held')
    },
    lifted(name, sha256) {
      const life = lives.get(name)
      if (life?.facts.version?.sha256 !== sha256) return
      life.hold = undefined
      const lifted = options.liftOf(name, sha256)
      if (life.image.state === 'held') step(life, 'offer', { lifted })
    },
    reread(name) {
      const life = current(name)
      store.remove(name)
      restart(life, life.facts.sight)
    },
    async rejudge(name) {
      const life = lives.get(name)
      if (life?.facts.version !== undefined) await judgeNow(life)
    },
    unsettled: () => unsettled,
    close() {
      closed = true
      for (const life of lives.values()) {
        life.moved.abort()
        clearTimeout(life.timer)
      }
    },
  }
}

function isJudged(image: Image): boolean {
  return image.state === 'ready' || image.state === 'held'
}

function versionOf(reading: Reading): Version {
  return Object.freeze({ ...reading, more: Object.freeze({}) })
}

function sameJudgement(a: Judgement, b: Judgement): boolean {
  return JSON.stringify(a) === JSON.stringify(b)
}

function settlingReason(facts: ImageFacts): string {
  return facts.version === undefined
    ? 'It may still be written; it is read when nothing has moved for a while.'
    : 'Nothing vouches yet that the copy is complete; it is offered when nothing moves any more.'
}

function lockedReason(cause: string): string {
  if (['EBUSY', 'EACCES', 'EPERM'].includes(cause)) {
    return `It cannot be opened (${cause}): another program holds it, or you have no right to read it. It is tried again every few seconds.`
  }
  return `It cannot be read (${cause}). It is tried again every few seconds.`
}
