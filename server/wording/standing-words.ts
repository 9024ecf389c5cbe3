/**
 * The standings of planned devices in words, for terminal, page and report alike. Text from the sheet stays as it is:
 * the reader disarms.
 */
import type { PullRecord } from '../delivery/records.ts'
import { algorithmText, guardsAccidentOnly } from '../trust/digests/algorithm.ts'
import type { DevicePlan } from '../visit/device-plan.ts'
import type { Grounds, StepPlan } from '../visit/plan-shape.ts'
import { isDone, type Standing } from '../visit/standing-names.ts'
import { answerText, hintSentence, sentence } from './refusal-words.ts'
import { clockText } from './units.ts'

/** For the reader of a record, who does not know the words. */
export const STANDING_MEANINGS: Readonly<Record<Standing, string>> = Object.freeze({
  confirmed: 'The device itself printed the digest of the planned version. No evidence is better.',
  pulled: 'The device took every byte of the planned version and closed the connection normally.',
  unconfirmed: 'Every byte of the planned version was sent; that all of them arrived was not seen.',
  pulling: 'The pull of the planned version was in progress.',
  refused: 'The device asked and was refused; it has not pulled the planned version.',
  contradicted: 'The latest that is known of the device speaks against the planned version.',
  'rolled back': 'The device pulled its rollback image last.',
  'wrong image': 'The device fetched an image that was not planned for it.',
  waiting: 'The device has not pulled all of the planned version yet.',
  'not seen': 'Nothing came from the device during the visit.',
  'nothing planned': 'No image stands on its row of the visit sheet: neither done nor open.',
})

/** `step 2 of 3: waiting`, `pulled (by harrowick-sw1)`, `wrong image: reading-room-4.bin`, `refused: 409`. */
export function standingWords(device: DevicePlan): string {
  const step = device.steps.length > 1 ? `step ${device.step} of ${device.steps.length}: ` : ''
  return step + stepWords(device, device.via)
}

/** Of one step; `via`: the device that pulls for this one. */
export function stepWords({ standing, grounds }: Told, via: string | null): string {
  const short = grounds === null ? '' : SHORT[grounds.kind](grounds as never)
  const by = via === null || standing === 'nothing planned' || standing === 'not seen' ? '' : ` (by ${via})`
  return `${standing}${short === '' ? '' : `: ${short}`}${grounds?.kind === 'printed' ? '' : by}`
}

type Told = Pick<StepPlan, 'standing' | 'grounds'>
type GroundsOf<K extends Grounds['kind']> = Extract<Grounds, { kind: K }>

const SHORT: { readonly [K in Grounds['kind']]: (grounds: GroundsOf<K>) => string } = {
  printed: ({ printed }) => `the device printed it, ${algorithmText(printed.algorithm)}`,
  'printed another': ({ printed }) =>
    printed.image === null ? 'it printed another digest' : `it printed the digest of ${printed.image}`,
  'observed another': ({ after }) => `it shows version ${after}`,
  'earlier version': () => 'it holds an earlier version',
  held: () => 'its image is held',
  'another image': ({ image }) => image,
  refused: ({ status }) => (status === null ? 'no answer' : answerText(status)),
  'broken off': () => 'its pull broke off',
  'out of order': () => 'pulled before the step ahead of it',
}

/** Shows times as its reader's clock does. */
type Clock = (iso: string) => string

/** What a standing says of a device, as the rest of a sentence that begins with it, without a full stop. */
export function standingPredicate(told: Told, clock: Clock = clockText): string {
  return PREDICATES[told.standing](told.grounds, clock)
}

/** A whole sentence: `It was refused at 21:04:10 with 409: …`. */
export function standingSentence(told: Told, clock?: Clock): string {
  return sentence(`It ${standingPredicate(told, clock)}`)
}

const PREDICATES: Readonly<Record<Standing, (grounds: Grounds | null, clock: Clock) => string>> = {
  confirmed: (grounds) =>
    grounds?.kind === 'printed'
      ? printedPredicate(grounds)
      : 'printed the digest of the planned image itself',
  pulled: () => 'pulled all of the planned image',
  unconfirmed: () => 'was sent every byte, but it was not seen to take them all',
  pulling: () => 'is still pulling',
  refused: (grounds, clock) =>
    grounds?.kind === 'refused' ? refusedPredicate(grounds, clock) : 'was refused',
  contradicted: (grounds, clock) => contradictedPredicate(grounds, clock),
  'rolled back': (grounds) =>
    grounds?.kind === 'another image'
      ? `pulled its rollback image last, ${grounds.image}${grounds.whole ? '' : ' (not seen to be complete)'}`
      : 'pulled its rollback image last',
  'wrong image': (grounds) => {
    const whole = grounds?.kind === 'another image' && grounds.whole
    return `${whole ? 'pulled' : 'fetched'} an image that is not planned for it`
  },
  waiting: (grounds, clock) => waitingPredicate(grounds, clock),
  'not seen': () => 'was not seen',
  'nothing planned': () => 'has no image on its row',
}

function printedPredicate({ printed }: GroundsOf<'printed'>): string {
  const worth = guardsAccidentOnly(printed.algorithm)
    ? `; ${algorithmText(printed.algorithm)} guards against accident, not against forgery`
    : ''
  return `printed the ${algorithmText(printed.algorithm)} digest of ${printed.image} itself${worth}`
}

function refusedPredicate({ at, status, reason, hint, target }: GroundsOf<'refused'>, clock: Clock): string {
  const answer = status === null ? 'without an answer' : `with ${answerText(status)}`
  const what = target === null ? '' : ` (${target})`
  return `was refused at ${clock(at)} ${answer}${what}: ${reason}${hint === null ? '' : `${/[.!?]$/.test(reason) ? '' : '.'} ${hintSentence(hint)}`}`
}

function contradictedPredicate(grounds: Grounds | null, clock: Clock): string {
  switch (grounds?.kind) {
    case 'printed another': {
      const { algorithm, value, image } = grounds.printed
      const label = algorithmText(algorithm)
      if (image === null) return `printed the ${label} digest ${value}, which is of no image on record`
      return `printed the ${label} digest of ${image}, which is not the version that is planned for it`
    }
    case 'observed another':
      return `showed version ${grounds.after} (observed by ${grounds.by} at ${clock(grounds.at)}); planned is ${grounds.target}`
    case 'earlier version':
      return `holds an earlier version of ${grounds.image}: another was put on offer under that name since`
    case 'held':
      return `holds ${grounds.image}, which is held now: ${grounds.reason}`
    default:
      return 'does not hold what is planned, as far as is known'
  }
}

function waitingPredicate(grounds: Grounds | null, clock: Clock): string {
  if (grounds?.kind === 'out of order')
    return 'pulled this image before the one of an earlier step: pull it again after that one'
  if (grounds?.kind !== 'broken off') return 'has not pulled the planned image yet'
  return grounds.ended
    ? `has only part of the planned image: its pull broke off at ${clock(grounds.at)}`
    : `has not finished its pull of the planned image: the pull was in progress when this record ends`
}

/** Its standing says more than its name does. */
export function hasGroundsToTell({ standing, grounds }: Told): boolean {
  return grounds !== null && !isDone(standing)
}

/** Images that a client off the sheet fetched: `a.bin, b.bin (incomplete)`. */
export function strangerWords(pulls: readonly PullRecord[]): string {
  const states = new Map<string, PullRecord['state']>()
  // One that came through is what counts of several.
  for (const { image, state } of pulls)
    if (states.get(image.name) !== 'complete') states.set(image.name, state)
  return [...states].map(([name, state]) => (state === 'complete' ? name : `${name} (${state})`)).join(', ')
}

/** `4.4`, `4.4 (a guess from the name of the image)`, or null. */
export function targetWords({ target, targetGuessed }: DevicePlan['versions']): string | null {
  return targetGuessed ? `${target} (a guess from the name of the image)` : target
}
