/**
 * The life of one image from first sight to offer: settle, read, judge, offer or hold, and back to settling as
 * soon as the file moves. Every wait is followed by a look at the file itself, and whatever comes back from a
 * wait for an earlier state of the file is dropped (`moved`).
 */
import { isFetchproofError, messageOf, systemCode } from '../errors.ts'
import { sameButTouched, sameFile } from '../files/folder.ts'
import { gapsOf } from './copy-traces.ts'
import type { Reading } from './digests.ts'
import { type Image, isJudged, type Version } from './image.ts'
import { lockedReason } from './image-words.ts'
import { type Judgement, NO_FORMAT, NO_STANDING } from './judge.ts'
import { conclude, decided, learn } from './life-offering.ts'
import { createLifeState, type LifeOptions, type LifeState, quietOf, unmovedSince } from './life-state.ts'
import type { PlacedPath } from './plain-paths.ts'
import { isOld, settle } from './settling.ts'
import type { Sight } from './watch.ts'

/** How often it is asked whether another program still writes. */
const WRITER_AGAIN_MS = 1_000
const RETRY_MOST_MS = 5_000

export type ImageLife = ReturnType<typeof createImageLife>

export function createImageLife(options: LifeOptions, sight: Sight) {
  // Long: a list of what others may ask of one image; what is done stands below, stage by stage.
  const { name } = sight
  const known = options.store.find(name, sight.identity)
  const life = createLifeState(options, {
    file: options.file,
    sight,
    placed: { name, path: `/${name}` },
    state: known === undefined ? 'settling' : 'reading',
    told: known === undefined ? {} : { progress: 1 },
    ...known,
  })
  // The same file as when it was read: nothing to settle, only published checksums to compare again.
  life.unmoved.impatient = known !== undefined
  return {
    get image(): Image {
      return life.image
    },
    begin(): void {
      life.publish({ placed: options.place(known?.version.sha256) })
      if (known === undefined) proceed(life)
      else void judge(life)
    },
    seen(now: Sight): void {
      if (!sameFile(life.facts.sight.identity, now.identity)) restart(life, now)
    },
    /** Another file's path changed its own. */
    moveTo: (placed: PlacedPath): void => life.publish({ placed }),
    /** Waits no longer for the file to be quiet. */
    readyNow(): void {
      life.unmoved.impatient = true
      if (life.image.state === 'locked') retry(life)
      else void lookThenProceed(life)
    },
    /** A person decided something: a hold, a lift, or that one of these was a mistake. */
    decided: (): void => decided(life),
    /** What is known about the bytes is void, unless a look says that the file has moved: then that counts. */
    async reread(): Promise<void> {
      const { signal } = life.unmoved.moved
      await options.look(name)
      if (signal.aborted) return
      options.store.remove(name)
      restart(life, life.facts.sight, true)
    },
    async rejudge(): Promise<void> {
      if (life.facts.version !== undefined) await judge(life)
    },
    /** Waits for nothing any more; idempotent. */
    end(): void {
      life.unmoved.moved.abort()
      life.waitNoLonger()
    },
    /** Tells those who were offered it, after the end. */
    removed(): void {
      const last = life.unmoved.touched ?? life.image
      if (isJudged(last)) options.onLost(last, 'removed')
    },
  }
}

/** The file is another one now, or is to be read anew (`isVoid`): then nothing that was known of it stays. */
function restart(life: LifeState, sight: Sight, isVoid = false): void {
  const { options, unmoved, image, facts } = life
  const before = unmoved.touched ?? (isJudged(image) ? image : undefined)
  unmoved.moved.abort()
  life.waitNoLonger()
  life.unmoved = unmovedSince(options.clock.steadyMs())
  const isTouched = before !== undefined && !isVoid && sameButTouched(facts.sight.identity, sight.identity)
  if (isTouched) life.unmoved.touched = before
  const placed = options.place(undefined)
  life.step('moved', {}, { sight, placed, version: undefined, judgement: undefined })
  if (before !== undefined && !isTouched) options.onLost(before, 'changed')
  proceed(life)
}

/** What a settling image does next. */
function proceed(life: LifeState): void {
  life.waitNoLonger()
  if (life.ended || life.image.state !== 'settling') return
  const todo = settle(quietOf(life), life.options.times)
  // One millisecond more, so that rounding does not wake it too early.
  if (todo.act === 'wait') life.wakeIn(todo.waitMs + 1, () => void lookThenProceed(life))
  else if (todo.act === 'read') void read(life)
  else void concludeUnwritten(life)
}

async function lookThenProceed(life: LifeState): Promise<void> {
  const { signal } = life.unmoved.moved
  await life.options.look(life.name)
  if (!signal.aborted) proceed(life)
}

/** Not while another program has the file open for writing, as far as the system shows it. */
async function concludeUnwritten(life: LifeState): Promise<void> {
  const { unmoved } = life
  if (unmoved.asking) return
  unmoved.asking = true
  const writer = await life.options.writerOf(life.name).catch(() => undefined)
  unmoved.asking = false
  if (unmoved.moved.signal.aborted || life.image.state !== 'settling') return
  if (writer === undefined) return conclude(life)
  unmoved.writer = writer
  life.publish({})
  life.wakeIn(WRITER_AGAIN_MS, () => void lookThenProceed(life))
}

async function read(life: LifeState): Promise<void> {
  const { options, name } = life
  const { signal } = life.unmoved.moved
  life.step('read', { progress: 0 })
  try {
    const result = await options.digests.read({
      bytes: Number(life.facts.sight.identity.size),
      signal,
      open: () => options.open(name),
      onProgress: (progress) => {
        if (!signal.aborted && life.image.state === 'reading') life.publish({ told: { progress } })
      },
    })
    if (signal.aborted) return
    // The name may lead to another file by now, although the one that was read did not change.
    await options.look(name)
    if (signal.aborted) return
    const { sight } = life.facts
    if (result.kind !== 'done' || !sameFile(result.value.identity, sight.identity))
      return restart(life, sight)
    const version = versionOf(result.value, !isOld(quietOf(life)))
    compareWithTouched(life, version.sha256)
    life.publish({ version, placed: options.place(version.sha256), told: { progress: 1 } })
    await judge(life)
  } catch (error) {
    if (!signal.aborted) await readFailed(life, error)
  }
}

function versionOf({ filling, ...reading }: Reading, isFresh: boolean): Version {
  const gaps = gapsOf(reading.bytes, filling, isFresh)
  return Object.freeze({ ...reading, more: Object.freeze({}), ...(gaps !== undefined && { gaps }) })
}

/** Read again after its change time moved: the same bytes were found whole before, others are another file. */
function compareWithTouched({ options, unmoved }: LifeState, sha256: string): void {
  const { touched } = unmoved
  if (touched === undefined) return
  if (touched.version?.sha256 === sha256) {
    unmoved.impatient = true
    return
  }
  unmoved.touched = undefined
  options.onLost(touched, 'changed')
}

async function readFailed(life: LifeState, error: unknown): Promise<void> {
  const { unmoved } = life
  await life.options.look(life.name)
  if (unmoved.moved.signal.aborted) return
  if (isFetchproofError(error, 'FP_IMAGE_CHANGED')) return restart(life, life.facts.sight)
  const reason = lockedReason(systemCode(error) ?? String(error))
  life.step('denied', { reason }, { version: undefined, judgement: undefined })
  life.wakeIn(unmoved.retryMs, () => retry(life))
  unmoved.retryMs = Math.min(RETRY_MOST_MS, unmoved.retryMs * 2)
}

function retry(life: LifeState): void {
  life.waitNoLonger()
  if (!life.ended && life.image.state === 'locked') void read(life)
}

/** Judges what is known now; resolves when no further judgement is due. Never rejects. */
function judge(life: LifeState): Promise<void> {
  const { unmoved } = life
  if (unmoved.judging === undefined) unmoved.judging = judgeToTheLast(life)
  else unmoved.judgeAgain = true
  life.tellSettledness()
  return unmoved.judging
}

/** One at a time, and one more when something changed meanwhile: a checksum file came during the format check. */
async function judgeToTheLast(life: LifeState): Promise<void> {
  const { options, unmoved } = life
  const { signal } = unmoved.moved
  const inTurn = (earlier: Judgement | undefined) => options.inTurn(() => judgeOnce(life, signal, earlier))
  let judgement = await inTurn(life.facts.judgement)
  while (judgement !== undefined && unmoved.judgeAgain) {
    unmoved.judgeAgain = false
    judgement = await inTurn(judgement)
  }
  unmoved.judging = undefined
  if (judgement === undefined) life.tellSettledness()
  else judged(life, judgement)
}

/** Undefined when the file has moved. */
async function judgeOnce(
  life: LifeState,
  signal: AbortSignal,
  earlier: Judgement | undefined,
): Promise<Judgement | undefined> {
  const { options, name } = life
  const { version, file } = life.facts
  if (version === undefined || signal.aborted) return undefined
  const judging = options.judge.judge({
    name,
    file,
    version,
    digest: async (algorithm) => {
      const value = await options.further.digest(name, version, algorithm, signal)
      if (!signal.aborted) learn(life, { [algorithm]: value })
      return value
    },
    ...(earlier !== undefined && { earlier }),
  })
  const judgement = await judging.catch(uncheckable)
  return signal.aborted ? undefined : judgement
}

function uncheckable(error: unknown): Judgement {
  const reason = `It could not be checked: ${messageOf(error)}`
  const holds = [{ cause: 'unchecked', reason }]
  return { published: NO_STANDING, format: NO_FORMAT, notes: [], holds, sure: false }
}

function judged(life: LifeState, judgement: Judgement): void {
  const before = life.facts.judgement
  if (life.image.state === 'reading') {
    life.step('unsure', {}, { judgement })
    proceed(life)
    return
  }
  const same = before !== undefined && JSON.stringify(before) === JSON.stringify(judgement)
  life.publish({ judgement }, same)
  if (life.image.state === 'settling') proceed(life)
  else if (!same) conclude(life)
}
