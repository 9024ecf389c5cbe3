/**
 * What to do next about devices: those that pull or hold the wrong image, pulls that broke off, what the visit
 * sheet warns of. Pure.
 */
import type { PullRecord } from '../delivery/records.ts'
import { clockText } from '../report/units.ts'
import { visible } from '../report/visible.ts'
import type { StepFacts } from './next-steps.ts'
import type { NextStep } from './snapshot-shape.ts'

/** Devices named one by one. */
const DEVICES_AT_MOST = 5
/**
 * What broke off so long before this run began is of the same evening: the laptop slept, or the server was ended.
 * Where the server died, an ending bears the time of this start.
 */
const SAME_EVENING_MS = 12 * 60 * 60 * 1000

/** Those that can still be stopped come first. */
export function wrongImageSteps({ visit }: StepFacts): NextStep[] {
  const wrong = visit?.wrongImages ?? []
  return [...wrong.filter(({ underWay }) => underWay), ...wrong.filter(({ underWay }) => !underWay)].map(
    ({ key, text, underWay }) => ({
      key,
      weight: 'alarm',
      text: underWay ? visible(text) : `${visible(text)} Look at the device before it restarts.`,
    }),
  )
}

/** One step a sentence, however many devices it is said of: the planned image of forty is missing once. */
export function warningSteps({ visit }: StepFacts): NextStep[] {
  const devices = new Map<string, string[]>()
  for (const { device, warnings } of visit?.rows ?? []) {
    for (const warning of warnings) devices.set(warning, [...(devices.get(warning) ?? []), device])
  }
  return [...devices].map(([warning, names]) => ({
    key: `warning ${names.join(' ')} ${warning}`,
    weight: 'act',
    text: `${namesText(names)}: ${visible(warning)}`,
    things: names.length,
  }))
}

/** Devices whose latest pull of an image broke off. Of a wrong image its own step says what to do. */
export function pullSteps({ pulls, started, visit, images }: StepFacts): NextStep[] {
  const wrong = new Set(visit?.wrongPulls)
  const since = Date.parse(started) - SAME_EVENING_MS
  const short = [...latestPulls(pulls)].filter(
    (pull) =>
      pull.state === 'incomplete' &&
      Date.parse(pull.ended ?? pull.begun) >= since &&
      !wrong.has(pull.fetches[0] ?? ''),
  )
  const ready = new Set(images.filter(({ state }) => state === 'ready').map(({ name }) => name))
  const steps = short.slice(-DEVICES_AT_MOST).map(
    (pull): NextStep => ({
      key: `incomplete ${pull.fetches.join()}`,
      weight: 'act',
      text: brokenOffText(pull, started, ready.has(pull.image.name)),
    }),
  )
  const more = short.length - steps.length
  if (more > 0) {
    steps.push({
      key: `incomplete more ${more}`,
      weight: 'act',
      text: `${more} more clients have not got all of an image; see the pulls that are over.`,
      things: more,
    })
  }
  return steps
}

/** A guess about clients that stop or crawl, under the name that the sheet gives them. */
export function hintSteps({ hints, pulls }: StepFacts): NextStep[] {
  return hints.slice(-DEVICES_AT_MOST).map(({ kind, client, image, sentence, fetches }) => {
    const pull = pulls.findLast((each) => (each.client.mac ?? each.client.address) === client)
    const who = visible(pull?.client.device ?? pull?.client.address ?? client)
    return {
      key: `hint ${kind} ${client} ${image} ${fetches.at(-1)}`,
      weight: 'look',
      text: `A guess about ${who} and ${visible(image)}: ${sentence}`,
    }
  })
}

function latestPulls(pulls: readonly PullRecord[]): Iterable<PullRecord> {
  const latest = new Map<string, PullRecord>()
  for (const pull of pulls) {
    const key = `${pull.client.mac ?? pull.client.address} ${pull.image.name}`
    const other = latest.get(key)
    if (other === undefined || pull.begun >= other.begun) latest.set(key, pull)
  }
  return latest.values()
}

function brokenOffText(pull: PullRecord, started: string, offered: boolean): string {
  const who = visible(pull.client.device ?? pull.client.address)
  const what = `${who} has not got all of ${visible(pull.image.name)}`
  const when =
    pull.begun >= started
      ? ''
      : `, as far as is known: its pull of ${clockText(pull.begun)} broke off before this start`
  const advice = offered
    ? 'Let it pull again before it restarts.'
    : 'The image is not on offer now; do not let the device restart before it has a whole one.'
  return `${what}${when}. ${advice}`
}

function namesText(names: readonly string[]): string {
  const named = names.slice(0, DEVICES_AT_MOST).map(visible).join(', ')
  const more = names.length - DEVICES_AT_MOST
  return more > 0 ? `${named} and ${more} more` : named
}
