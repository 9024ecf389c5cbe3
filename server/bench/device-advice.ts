/**
 * What to do next about devices: those that pull or hold the wrong image, pulls that broke off, what the visit
 * sheet warns of. Pure.
 */
import type { LivePull } from '../delivery/live-pulls.ts'
import type { PullRecord } from '../delivery/records.ts'
import { addTo, grouped } from '../lists-by-key.ts'
import { clockText } from '../wording/units.ts'
import { listed, visible } from '../wording/visible.ts'
import type { StepFacts } from './next-steps.ts'
import type { NextStep } from './snapshot-shape.ts'

/** Devices named one by one. */
const DEVICES_AT_MOST = 5
/** Sentences about pulls that broke off. */
const GROUPS_AT_MOST = 5
/**
 * What broke off so long before this run began is of the same evening: the laptop slept, or the server was ended.
 * Where the server died, an ending bears the time of this start.
 */
const SAME_EVENING_MS = 12 * 60 * 60 * 1000

/** Those that can still be stopped come first. */
export function wrongImageSteps({ visit }: StepFacts): NextStep[] {
  const wrong = visit?.wrongImages ?? []
  return [...wrong.filter(({ underWay }) => underWay), ...wrong.filter(({ underWay }) => !underWay)].map(
    ({ key, text }) => ({ key, weight: 'alarm', text: visible(text) }),
  )
}

/** One step a sentence, however many devices it is said of: the planned image of forty is missing once. */
export function warningSteps({ visit }: StepFacts): NextStep[] {
  const devices = new Map<string, string[]>()
  for (const { device, warnings } of visit?.rows ?? []) {
    for (const warning of warnings) addTo(devices, warning, device)
  }
  return [...devices].map(([warning, names]) => ({
    key: `warning ${names.join(' ')} ${warning}`,
    weight: 'act',
    text: `${listed(names, DEVICES_AT_MOST)}: ${visible(warning)}`,
    things: names.length,
  }))
}

/** Who took image bytes and stands on no row: a device that is missing on the sheet, or one that took another's address. */
export function strangerSteps({ visit }: StepFacts): NextStep[] {
  const strangers = visit?.strangers ?? []
  const steps = strangers.slice(0, DEVICES_AT_MOST).map(
    ({ client, image }): NextStep => ({
      key: `stranger ${client} ${image}`,
      weight: 'look',
      text: `${visible(client)} is not on the visit sheet and fetched ${visible(image)}. Give it a row, or find out what it is.`,
    }),
  )
  const more = strangers.length - steps.length
  if (more > 0) {
    const text = `${more} more clients that are not on the visit sheet fetched images; they are listed below it.`
    steps.push({ key: `stranger more ${more}`, weight: 'look', text, things: more })
  }
  return steps
}

/** Devices whose latest pull of an image broke off. Of a wrong image its own step says what to do. */
export function pullSteps({ pulls, started, visit, images }: StepFacts): NextStep[] {
  const wrong = new Set(visit?.wrongPulls)
  const since = Date.parse(started) - SAME_EVENING_MS
  const isShort = (pull: PullRecord): boolean =>
    pull.state === 'incomplete' &&
    Date.parse(pull.ended ?? pull.begun) >= since &&
    !wrong.has(pull.fetches[0] ?? '')
  // At each update of the page: which are the latest is asked only where that can matter.
  const short = pulls.some(isShort) ? latestPulls(pulls).filter(isShort) : []
  const offered = new Set(images.filter(({ state }) => state === 'ready').map(({ name }) => name))
  // When a server ends in the middle of an evening, all that pulled break off at once.
  const earlier = grouped(
    short.filter((pull) => pull.begun < started),
    ({ image }) => image.name,
  ).values()
  const now = short.filter((pull) => pull.begun >= started).map((pull) => [pull])
  const groups = [...earlier, ...now]
  const steps = groups
    .slice(-GROUPS_AT_MOST)
    .map((group) => brokenOffStep(group, started, offered.has(group[0]?.image.name ?? '')))
  const more = groups.slice(0, -GROUPS_AT_MOST).reduce((sum, group) => sum + group.length, 0)
  if (more > 0) {
    steps.push({
      key: `incomplete more ${more}`,
      weight: 'act',
      text: `${more === 1 ? '1 more client has' : `${more} more clients have`} only part of an image; see the finished pulls.`,
      things: more,
    })
  }
  return steps
}

/** Devices erase their flash for minutes, and nobody is to be alarmed by that: one line, and not at once. */
const LONG_STALL_MS = 2 * 60_000

/** `now` in ms since 1970. */
export function longStalls(underWay: readonly LivePull[], now: number): LivePull[] {
  return underWay.filter(
    ({ stalledSince }) => stalledSince !== undefined && now - Date.parse(stalledSince) >= LONG_STALL_MS,
  )
}

export function stallSteps({ stalls }: StepFacts): NextStep[] {
  if (stalls.length === 0) return []
  const devices = stalls.map(({ client }) => client.device ?? client.address)
  const who = listed(devices, DEVICES_AT_MOST)
  const text = `${who}: nothing has moved for more than 2 min. It may be erasing its flash, which takes minutes; keep its power on.`
  return [{ key: `stall ${who}`, weight: 'look', text }]
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

/** Of each client and image. */
function latestPulls(pulls: readonly PullRecord[]): PullRecord[] {
  const inOrder = [...pulls].sort((a, b) => a.begunSeq - b.begunSeq)
  const keyOf = ({ client, image }: PullRecord): string => `${client.mac ?? client.address} ${image.name}`
  return [...new Map(inOrder.map((pull) => [keyOf(pull), pull])).values()]
}

/** Of one image. */
function brokenOffStep(pulls: readonly PullRecord[], started: string, offered: boolean): NextStep {
  const [first] = pulls
  const many = pulls.length > 1
  const devices = pulls.map(({ client }) => client.device ?? client.address)
  const who = listed(devices, DEVICES_AT_MOST)
  const what = `${who} ${many ? 'have' : 'has'} only part of ${visible(first?.image.name ?? '')}`
  const own = many ? 'their pulls' : `its pull of ${clockText(first?.begun ?? started)}`
  const when =
    (first?.begun ?? started) >= started ? '' : `, as far as is known: ${own} broke off before this start`
  return {
    key: `incomplete ${pulls.map(({ fetches }) => fetches.join()).join(' ')}`,
    weight: 'act',
    text: `${what}${when}. ${offered ? LET_PULL[Number(many)] : NOT_ON_OFFER}`,
    things: pulls.length,
  }
}

const LET_PULL = ['Let it pull again before it restarts.', 'Let them pull again before they restart.']
const NOT_ON_OFFER = 'The image is not on offer now: do not restart before the device has a complete one.'
