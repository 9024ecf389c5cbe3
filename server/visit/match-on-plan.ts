/**
 * What a device printed, held against what the visit sheet plans for it: page and command line show the same verdict.
 * Pure. It goes no further than the standing that the same digest gives the device once it is on record.
 */
import type { ImageReference } from '../ledger/entries.ts'
import { type Image, referenceOf } from '../staging/image.ts'
import { algorithmOfDigits } from '../trust/digests/algorithm.ts'
import type { Matched, MatchFinding } from '../trust/matching/finding.ts'
import { createDeviceFinder } from './device-finder.ts'
import type { Offers } from './offers.ts'
import { createImageNames, type ImageNames } from './planned-image.ts'
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
  const key = deviceKey(createDeviceFinder(rows).named(named) ?? named)
  const own = rows.filter(({ device }) => deviceKey(device) === key)
  const name = own[0]?.device ?? named
  const puller = own[0]?.via ?? null
  const pulledFor =
    puller === null ? [] : rows.filter(({ device }) => deviceKey(device) === deviceKey(puller))
  const cells = own.flatMap(({ image }) => image ?? [])
  // Of a device behind another one whose row names no image, what the other one is to pull.
  const planned = [...new Set(cells.length > 0 ? cells : pulledFor.flatMap(({ image }) => image ?? []))]
  const device = { name, onSheet: own.length > 0, planned }
  if (own.length === 0) return { ...matched, words: `${matched.words} ${noRow(name, facts)}`, device }
  const plan: DevicePlanned = { name, planned, rollbacks: own.flatMap(({ rollback }) => rollback ?? []) }
  return { ...judged(matched, plan, facts), device }
}

interface DevicePlanned {
  readonly name: string
  readonly planned: readonly string[]
  readonly rollbacks: readonly string[]
}

function noRow(name: string, { rows }: PlanToMatch): string {
  if (rows === undefined) return `There is no visit sheet that says what is planned for ${name}.`
  return `${name} is not on the visit sheet, so that nothing says what is planned for it: check the name.`
}

function judged(matched: Matched, plan: DevicePlanned, facts: PlanToMatch): Matched {
  if (plan.planned.length === 0) {
    return { ...matched, words: `${matched.words} Nothing is planned for ${plan.name}.` }
  }
  const present = facts.present.flatMap(knownReference)
  const images = createImageNames([...facts.offers.images(), ...present])
  const against = matched.findings.flatMap((finding) => speaksAgainst(finding, plan, facts, images) ?? [])
  const wanted = `${plan.name} is ${plan.planned.join(', then ')}`
  if (against.length > 0) {
    const words = `It does not match the plan: ${[...new Set(against)].join('; ')}; planned for ${wanted}.`
    return { ...matched, matched: false, words }
  }
  if (!matched.matched) return { ...matched, words: `${matched.words} Planned for ${wanted}.` }
  return { ...matched, words: `${matched.words} ${asPlanned(matched, plan, facts, images)}` }
}

/** Why what it found is not what the device is to hold; undefined when it is, or when it says nothing of an image. */
function speaksAgainst(
  finding: MatchFinding,
  { planned, rollbacks }: DevicePlanned,
  facts: PlanToMatch,
  images: ImageNames,
): string | undefined {
  const image = imageOf(finding, facts)
  if (image === undefined) return undefined
  const { name } = image
  const named = (cells: readonly string[]): boolean => cells.some((cell) => images.names(cell, image))
  const there = facts.present.find((file) => file.name === name)
  if (!named(planned)) return named(rollbacks) ? `this is ${name}, the rollback image` : `this is ${name}`
  const pinned = planned.some((cell) => images.namesVersion(cell, image))
  if (there?.version?.sha256 !== image.sha256 && !pinned && facts.offers.judge(image).earlier) {
    return `this is an earlier version of ${name} than the one on offer`
  }
  return there?.state === 'held' ? `this is ${name}, which is held` : undefined
}

/** Of a digest that no image in the folder has: the version that was on offer once. */
function imageOf(
  { outcome, image, value, counts }: MatchFinding,
  facts: PlanToMatch,
): ImageReference | undefined {
  if (outcome === 'match')
    return facts.present.filter(({ name }) => name === image).flatMap(knownReference)[0]
  if (outcome !== 'none' || !counts) return undefined
  return facts.offers.withDigest(algorithmOfDigits(value.length) ?? '', value)
}

function asPlanned(
  { findings }: Matched,
  { name, planned }: DevicePlanned,
  facts: PlanToMatch,
  images: ImageNames,
): string {
  const found = findings.flatMap((finding) => imageOf(finding, facts) ?? [])
  const steps = planned.flatMap((cell, at) =>
    found.some((image) => images.names(cell, image)) ? [at + 1] : [],
  )
  if (planned.length === 1) return `${planned[0]} is what is planned for ${name}.`
  return `It is step ${steps.join(' and ')} of ${planned.length} that are planned for ${name}.`
}

function knownReference(image: Image): ImageReference[] {
  return image.version === undefined ? [] : [referenceOf(image)]
}
