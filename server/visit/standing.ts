/**
 * The standing of each step of one planned device, out of all evidence on record in the ledger's order, and never
 * beyond it. Pure. The events are walked once: what supports a step (a digest that the device printed, a pull) and
 * what speaks against the step that the device is at (another digest, another version observed, another image, an
 * earlier version of the file). The later of the two decides; a pull never outranks a digest of the same version.
 * The list of standings, and which of them are done, is in `standings.ts`.
 */
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { ImageReference } from '../ledger/entries.ts'
import type { DeviceFacts, DeviceObservation, Pulled } from './device-facts.ts'
import type { Grounds, PrintedDigest, StepPlan } from './plan-shape.ts'
import { imagePlace, isFree } from './planned-image.ts'
import { lastTarget, type PlannedRow } from './sheet-rows.ts'
import { isOpen } from './standing-names.ts'
import { compareVersions } from './version-order.ts'

interface StandingFacts extends Pick<DeviceFacts, 'images' | 'pulls' | 'seen' | 'othersRows' | 'over'> {
  readonly rows: readonly PlannedRow[]
  readonly refusal: FetchRecord | null
  /** Something came from it. */
  readonly came: boolean
}

export type StepStanding = Pick<StepPlan, 'row' | 'standing' | 'grounds' | 'pull' | 'attempts'>

/** In the order of the rows. */
export function stepStandings(facts: StandingFacts): StepStanding[] {
  const walk = createWalk(facts.rows)
  const events = [
    ...facts.pulls.map((pulled) => ({
      seq: placeAmong(pulled.pull, facts.pulls),
      take: () => takePull(pulled, facts, walk),
    })),
    ...facts.seen.map((seen) => ({ seq: seen.seq, take: () => takeSeen(seen, facts, walk) })),
  ]
  for (const { take } of events.sort((a, b) => a.seq - b.seq)) take()
  const standings = walk.steps.map((step, number) => {
    const { row, running, attempts } = step
    const told = standingOf(step, number === walk.at() ? walk.against() : undefined, facts)
    return { row, ...told, pull: told.pull ?? running ?? attempts.at(-1) ?? null, attempts }
  })
  const open = standings.findIndex(({ standing }) => isOpen(standing))
  return standings.map((step, number) => (number === open ? withRefusal(step, facts.refusal) : step))
}

/** One that may have been taken whole counts from its end, any other from its beginning. */
function placeOf({ state, begunSeq, latestSeq }: PullRecord): number {
  return isWhole({ state }) ? latestSeq : begunSeq
}

/**
 * One that began before the end of a whole one was on record, and went on after it, comes behind it: a device takes one
 * image after the other, and the end of the first is written a moment after its last byte.
 */
function placeAmong(pull: PullRecord, pulls: readonly Pulled[]): number {
  const place = placeOf(pull)
  if (isWhole(pull)) return place
  const until = pull.state === 'running' ? Number.POSITIVE_INFINITY : pull.latestSeq
  const before = pulls.findLast(
    ({ pull: other }) =>
      isWhole(other) && other.begunSeq < place && place < other.latestSeq && other.latestSeq < until,
  )
  return before === undefined ? place : before.pull.latestSeq + 0.5
}

function isWhole({ state }: Pick<PullRecord, 'state'>): boolean {
  return state === 'complete' || state === 'unconfirmed'
}

const STRENGTH = { unconfirmed: 1, pulled: 2, confirmed: 3 } as const

interface Support {
  readonly strength: keyof typeof STRENGTH
  readonly pull: PullRecord | null
  readonly printed: PrintedDigest | null
  readonly image: ImageReference
  /** Why the version is held now. */
  readonly held: string | null
}

type Sure = Support & { readonly strength: 'pulled' | 'confirmed' }

/** The step is done by it. */
function isSure(support: Support | null | undefined): support is Sure {
  return support != null && support.strength !== 'unconfirmed'
}

interface Step {
  readonly row: PlannedRow
  readonly attempts: PullRecord[]
  support: Support | null
  running: PullRecord | null
  brokenOff: PullRecord | null
  /** It had been done before an earlier step was done again. */
  outOfOrder: boolean
}

interface Against {
  readonly standing: 'contradicted' | 'rolled back' | 'wrong image'
  readonly grounds: Grounds
  readonly seq: number
  readonly pull: PullRecord | null
}

type Walk = ReturnType<typeof createWalk>

/** Where the evidence has led so far. */
function createWalk(rows: readonly PlannedRow[]) {
  const steps = rows.map(
    (row): Step => ({ row, attempts: [], support: null, running: null, brokenOff: null, outOfOrder: false }),
  )
  /** The step whose image the device took last, at first the first one. Those after it have no support. */
  let at = 0
  let against: readonly Against[] = []
  /** What the step at hand rested on before something spoke against it. */
  let doubted: Support | null = null

  function believeAgain(): void {
    const step = steps[at]
    if (step !== undefined) step.support ??= doubted
    doubted = null
  }

  return {
    steps,
    at: () => at,
    against: () => against.at(-1),
    /** The same image twice in the plan takes two pulls: the first step from here on that is not done, else the last. */
    target(candidates: readonly number[]): number {
      const isDue = (step: number): boolean => step >= at && !isSure(steps[step]?.support)
      return candidates.find(isDue) ?? candidates.at(-1) ?? 0
    },
    support(number: number, fresh: Support): void {
      // On the way to another step, what stood before was done.
      if (number !== at) believeAgain()
      doubted = null
      against = []
      for (const later of steps.slice(number + 1)) {
        later.outOfOrder = later.support !== null
        later.support = null
      }
      at = number
      const step = steps[number]
      if (step === undefined) return
      step.outOfOrder = false
      const before = step.support
      if (before !== null && STRENGTH[before.strength] > STRENGTH[fresh.strength]) return
      step.support = { ...fresh, pull: fresh.pull ?? before?.pull ?? null }
    },
    speakAgainst(said: Against): void {
      const step = steps[at]
      doubted ??= step?.support ?? null
      if (step !== undefined) step.support = null
      against = [...against, said]
    },
    /** The latest observation corrects the ones before; where it is the target, a complete pull counts again. */
    observedRight(isTarget: boolean): void {
      against =
        isTarget && isSure(doubted)
          ? []
          : against.filter(({ grounds }) => grounds.kind !== 'observed another')
      if (against.length === 0) believeAgain()
    },
  }
}

function takePull({ pull, shared, onRecord }: Pulled, facts: StandingFacts, walk: Walk): void {
  const { image } = pull
  const place = imagePlace(image, onRecord, facts)
  const seq = placeOf(pull)
  if (place.kind === 'of others') return
  if (place.kind !== 'step') {
    // A wrong image from its first byte on: a device that takes it may be writing it.
    if (place.kind === 'rollback' && !isWhole(pull)) return
    const standing = place.kind === 'rollback' ? 'rolled back' : 'wrong image'
    const grounds = { kind: 'another image', image: image.name, whole: pull.state === 'complete' } as const
    walk.speakAgainst({ standing, grounds, seq, pull })
    return
  }
  for (const step of place.steps) walk.steps[step]?.attempts.push(pull)
  const target = walk.target(place.steps)
  const step = walk.steps[target]
  if (isWhole(pull) && place.earlier) {
    const grounds = { kind: 'earlier version', image: image.name } as const
    walk.speakAgainst({ standing: 'contradicted', grounds, seq, pull })
  } else if (isWhole(pull)) {
    const strength = pull.state === 'complete' && !shared ? 'pulled' : 'unconfirmed'
    walk.support(target, { strength, pull, printed: null, image, held: onRecord.held })
  } else if (step !== undefined && !place.earlier) {
    if (pull.state === 'running' && !facts.over) step.running = pull
    else step.brokenOff = pull
  }
}

function takeSeen(seen: DeviceObservation, facts: StandingFacts, walk: Walk): void {
  if (seen.printed !== undefined && !isFree(facts.rows)) takeDigest(seen, seen.printed, facts, walk)
  if (seen.after !== undefined) takeVersion(seen, seen.after, facts, walk)
}

function takeDigest(
  { seq, at, by }: DeviceObservation,
  { digest, image, onRecord }: NonNullable<DeviceObservation['printed']>,
  facts: StandingFacts,
  walk: Walk,
): void {
  const place = image === undefined ? undefined : imagePlace(image, onRecord, facts)
  const planned = place?.kind === 'step' && !place.earlier
  const printed: PrintedDigest = { at, by, ...digest, image: image?.name ?? null, planned }
  if (image !== undefined && place?.kind === 'step' && planned) {
    const number = place.steps.includes(walk.at()) ? walk.at() : walk.target(place.steps)
    walk.support(number, { strength: 'confirmed', pull: null, printed, image, held: onRecord.held })
    return
  }
  if (place?.kind === 'rollback' && walk.against()?.standing === 'rolled back') return
  const grounds = { kind: 'printed another', printed } as const
  walk.speakAgainst({ standing: 'contradicted', grounds, seq, pull: null })
}

/** Only a target that the sheet states speaks against a device; one that was guessed gives a remark. */
function takeVersion(
  { seq, at, by }: DeviceObservation,
  after: string,
  { rows }: StandingFacts,
  walk: Walk,
): void {
  const isLast = walk.at() === rows.length - 1
  const target = rows[walk.at()]?.versionTarget ?? (isLast ? lastTarget(rows) : null)
  if (target === null) return
  const order = compareVersions(target, after)
  const isOfLaterStep = rows
    .slice(walk.at() + 1)
    .some(({ versionTarget }) => versionTarget !== null && compareVersions(versionTarget, after) === 'same')
  if (order === 'same' || order === 'cannot tell' || isOfLaterStep) {
    walk.observedRight(order === 'same')
    return
  }
  const grounds = { kind: 'observed another', at, by, after, target } as const
  walk.speakAgainst({ standing: 'contradicted', grounds, seq, pull: null })
}

type Told = Pick<StepStanding, 'standing' | 'grounds' | 'pull'>

function standingOf(step: Step, against: Against | undefined, facts: StandingFacts): Told {
  const { row, support, running, brokenOff, outOfOrder, attempts } = step
  if (isSure(support)) return doneOr(support)
  const alarms = against?.standing === 'wrong image' && against.seq > (running?.begunSeq ?? 0)
  if (running !== null && !alarms) return { standing: 'pulling', grounds: null, pull: running }
  if (support !== null) return { standing: 'unconfirmed', grounds: null, pull: support.pull }
  if (against !== undefined) return against
  if (row.image === null && attempts.length === 0)
    return { standing: 'nothing planned', grounds: null, pull: null }
  if (outOfOrder) return { standing: 'waiting', grounds: { kind: 'out of order' }, pull: null }
  if (brokenOff !== null) {
    const { ended, begun, state } = brokenOff
    const grounds = { kind: 'broken off', at: ended ?? begun, ended: state !== 'running' } as const
    return { standing: 'waiting', grounds, pull: brokenOff }
  }
  return { standing: facts.over && !facts.came ? 'not seen' : 'waiting', grounds: null, pull: null }
}

/** What it holds by its own word or by a complete pull, unless that is held now. */
function doneOr({ strength, pull, printed, image, held }: Sure): Told {
  if (held !== null) {
    return { standing: 'contradicted', grounds: { kind: 'held', image: image.name, reason: held }, pull }
  }
  return { standing: strength, grounds: printed === null ? null : { kind: 'printed', printed }, pull }
}

/** A device that was refused is not waiting. What it got since counts more. */
function withRefusal(step: StepStanding, refusal: FetchRecord | null): StepStanding {
  if (step.standing !== 'waiting' || refusal === null) return step
  if (refusal.begunSeq < (step.attempts.at(-1)?.begunSeq ?? 0)) return step
  const { status, hint, target, reason } = refusal
  const at = refusal.ended ?? refusal.begun
  return {
    ...step,
    standing: 'refused',
    grounds: { kind: 'refused', at, status, reason: reason ?? '', hint, target },
  }
}
