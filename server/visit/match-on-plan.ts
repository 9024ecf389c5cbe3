/**
 * What a device printed, held against what the visit sheet plans for it: page and command line show the same verdict.
 * Pure. It goes no further than the standing that the same digest gives the device once it is on record.
 */
import type { ImageReference } from '../ledger/entries.ts'
import { type Image, referenceOf } from '../staging/image.ts'
import { algorithmOfDigits } from '../trust/digests/algorithm.ts'
import type { Matched, MatchFinding } from '../trust/matching/match-finding.ts'
import { createDeviceFinder } from './device-finder.ts'
import type { Offers } from './offers.ts'
import { createImageNames, type ImagePlace, imagePlace } from './planned-image.ts'
import { deviceKey, type PlannedRow } from './sheet-rows.ts'

export interface DeviceMatched extends Matched {
  readonly device: {
    /** As on the sheet, else as it was named. */
    readonly name: string
    readonly onSheet: boolean
    /** The images of its rows, in order, as the sheet writes them. */
    readonly planned: readonly string[]
  }
}

interface PlanToMatch {
  /** Undefined: there is no visit sheet. */
  readonly rows: readonly PlannedRow[] | undefined
  readonly offers: Offers
  /** In the folder. */
  readonly present: readonly Image[]
}

/** `named`: the device's name on the sheet, or one of its addresses. */
export function matchOnPlan(matched: Matched, named: string, facts: PlanToMatch): DeviceMatched {
  const { rows = [] } = facts
  const rowsOf = (device: string): PlannedRow[] =>
    rows.filter((row) => deviceKey(row.device) === deviceKey(device))
  const own = rowsOf(createDeviceFinder(rows).named(named) ?? named)
  const name = own[0]?.device ?? named
  const puller = own[0]?.via ?? null
  const cells = own.flatMap(({ image }) => image ?? [])
  const pulledFor = puller === null ? [] : rowsOf(puller).flatMap(({ image }) => image ?? [])
  // Of a device behind another one whose row names no image, what the other one is to pull.
  const planned = [...new Set(cells.length > 0 ? cells : pulledFor)]
  const device = { name, onSheet: own.length > 0, planned }
  if (own.length === 0) return { ...matched, words: `${matched.words} ${noRow(name, facts)}`, device }
  if (planned.length === 0)
    return { ...matched, words: `${matched.words} Nothing is planned for ${name}.`, device }
  const steps = planned.map((image) => ({ image, rollback: null }))
  const rollbacks = own.map(({ rollback }) => ({ image: null, rollback }))
  return { ...judged(matched, device, [...steps, ...rollbacks], facts), device }
}

function noRow(name: string, { rows }: PlanToMatch): string {
  if (rows === undefined) return `There is no visit sheet that says what is planned for ${name}.`
  return `${name} is not on the visit sheet, so that nothing says what is planned for it: check the name.`
}

/** `rows`: the planned images, one after the other, then the rollback images. */
function judged(
  matched: Matched,
  { name, planned }: DeviceMatched['device'],
  rows: readonly Pick<PlannedRow, 'image' | 'rollback'>[],
  facts: PlanToMatch,
): Matched {
  const { offers, present } = facts
  const images = createImageNames([...offers.images(), ...present.flatMap(knownReference)])
  const found = matched.findings.flatMap((finding) => imageOf(finding, facts) ?? [])
  const places = found.map((image) => {
    const there = present.find((file) => file.name === image.name)
    const earlier = there?.version?.sha256 !== image.sha256 && offers.judge(image).earlier
    const place = imagePlace(image, { earlier }, { rows, images })
    return { place, against: speaksAgainst(image.name, place, there?.state === 'held') }
  })
  const against = new Set(places.flatMap(({ against }) => against ?? []))
  const wanted = `${name} is ${planned.join(', then ')}`
  if (against.size > 0) {
    const words = `It does not match the plan: ${[...against].join('; ')}; planned for ${wanted}.`
    return { ...matched, matched: false, words }
  }
  if (!matched.matched) return { ...matched, words: `${matched.words} Planned for ${wanted}.` }
  if (planned.length === 1)
    return { ...matched, words: `${matched.words} ${planned[0]} is what is planned for ${name}.` }
  const steps = places.flatMap(({ place }) => (place.kind === 'step' ? place.steps : []))
  const numbers = planned.flatMap((_, step) => (steps.includes(step) ? [step + 1] : [])).join(' and ')
  const words = `${matched.words} It is step ${numbers} of ${planned.length} that are planned for ${name}.`
  return { ...matched, words }
}

/** Why an image that was found is not what the device is to hold; undefined when it is. */
function speaksAgainst(name: string, place: ImagePlace, isHeld: boolean): string | undefined {
  if (place.kind === 'rollback') return `this is ${name}, the rollback image`
  if (place.kind !== 'step') return `this is ${name}`
  if (place.earlier) return `this is an earlier version of ${name} than the one on offer`
  return isHeld ? `this is ${name}, which is held` : undefined
}

/** Of a digest that no image in the folder has: the version that was on offer once. */
function imageOf(
  { outcome, image, value, counts }: MatchFinding,
  { present, offers }: PlanToMatch,
): ImageReference | undefined {
  if (outcome === 'match') return present.filter(({ name }) => name === image).flatMap(knownReference)[0]
  if (outcome !== 'none' || !counts) return undefined
  return offers.withDigest(algorithmOfDigits(value.length) ?? '', value)
}

function knownReference(image: Image): ImageReference[] {
  return image.version === undefined ? [] : [referenceOf(image)]
}
