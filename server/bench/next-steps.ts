/**
 * What to do next, in the order of urgency, from what is known this moment. Pure. A sentence says what is the
 * matter and what a hand can do about it.
 */
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { FirewallLine } from '../network/firewall.ts'
import type { ImageView } from '../report/image-view.ts'
import { visible } from '../report/visible.ts'
import type { Hint } from '../visit/hints.ts'
import type { AddressView, NextStep, VisitView, Weight } from './snapshot-shape.ts'

export interface StepFacts {
  readonly folder: string
  readonly images: readonly ImageView[]
  readonly addresses: readonly AddressView[]
  readonly refusals: readonly FetchRecord[]
  readonly troubles: readonly { readonly at: string; readonly message: string }[]
  readonly ledgerWritable: boolean
  readonly firewall: readonly FirewallLine[]
  readonly visit: VisitView | null
  /** Those under way and those over, in the order they began. */
  readonly pulls: readonly PullRecord[]
  /** What fetches may mean. */
  readonly hints: readonly Hint[]
  /** ms since the epoch. */
  readonly nowMs: number
}

/** Devices named one by one. */
const DEVICES_AT_MOST = 5
/** Troubles shown here; all of them stand further down the page. */
const TROUBLES_AT_MOST = 3
/** More held images than this are counted instead of named. */
const NAMED_AT_MOST = 5

const WEIGHTS: readonly Weight[] = ['act', 'look', 'tip']
/** What broke off longer ago is for the audit; a server that was started anew meanwhile changes nothing. */
const BROKE_OFF_WITHIN_MS = 12 * 3_600_000

export function nextSteps(facts: StepFacts): NextStep[] {
  const steps = [
    ...wrongImageSteps(facts),
    ...ledgerSteps(facts),
    ...pullSteps(facts),
    ...heldSteps(facts),
    ...visitSteps(facts),
    ...hintSteps(facts),
    ...troubleSteps(facts),
    ...admissionSteps(facts),
    ...folderSteps(facts),
    ...addressSteps(facts),
  ]
  return WEIGHTS.flatMap((weight) => steps.filter((step) => step.weight === weight))
}

/** While one is still on its way nothing else is as urgent. */
function wrongImageSteps({ visit }: StepFacts): NextStep[] {
  const rows = (visit?.rows ?? []).flatMap((row) =>
    row.wrongImage === null ? [] : [{ device: row.device, ...row.wrongImage }],
  )
  const running = rows.filter(({ underWay }) => underWay !== null)
  const over = rows.filter(({ underWay }) => underWay === null)
  return [...running, ...over].map(({ device, name, planned, underWay }) => {
    const does = underWay === null ? 'has pulled' : 'is pulling'
    const what = planned === '' ? 'nothing is planned for it' : `planned is ${visible(planned)}`
    const advice =
      underWay === null ? 'Look at the device before it restarts.' : 'Stop it there before it writes.'
    return {
      key: `wrong ${device} ${name} ${does}`,
      weight: 'act',
      text: `WRONG IMAGE: ${visible(device)} ${does} ${visible(name)}; ${what}. ${advice}`,
    }
  })
}

function ledgerSteps({ ledgerWritable }: StepFacts): NextStep[] {
  if (ledgerWritable) return []
  const text =
    'The ledger cannot be written, so new fetches are refused. Free some space on its disk, or start again with --records and a writable place.'
  return [{ key: 'ledger', weight: 'act', text }]
}

function visitSteps({ visit }: StepFacts): NextStep[] {
  if (visit === null) return []
  const warned = visit.rows.flatMap(({ device, warnings }) =>
    warnings.map(
      (warning): NextStep => ({
        key: `warning ${device} ${warning}`,
        weight: 'act',
        text: `${visible(device)}: ${sentence(visible(warning))}`,
      }),
    ),
  )
  const errors = visit.errors.map(
    (error): NextStep => ({
      key: `sheet ${error}`,
      weight: 'look',
      text: `${visible(visit.file)}: ${sentence(visible(error))}`,
    }),
  )
  const more = errors.length - TROUBLES_AT_MOST
  const rest: NextStep[] =
    more > 0
      ? [
          {
            key: `sheet more ${more}`,
            weight: 'look',
            text: `${visible(visit.file)}: ${more} more things to correct; “fetchproof sheet” shows all of them.`,
          },
        ]
      : []
  return [...warned, ...errors.slice(0, TROUBLES_AT_MOST), ...rest]
}

/** A guess about clients that stop or crawl, with the name that the sheet gives them. */
function hintSteps({ hints, pulls }: StepFacts): NextStep[] {
  return hints.slice(-DEVICES_AT_MOST).map(({ kind, client, image, sentence: text, fetches }) => {
    const pull = pulls.findLast((each) => (each.client.mac ?? each.client.address) === client)
    const who = visible(pull?.client.device ?? pull?.client.address ?? client)
    return {
      key: `hint ${kind} ${client} ${image} ${fetches.at(-1)}`,
      weight: 'look',
      text: `A guess about ${who} and ${visible(image)}: ${text}`,
    }
  })
}

/** Devices whose latest pull of an image broke off. */
function pullSteps({ pulls, nowMs }: StepFacts): NextStep[] {
  const latest = new Map<string, PullRecord>()
  for (const pull of pulls) {
    const key = `${pull.client.mac ?? pull.client.address} ${pull.image.name}`
    const other = latest.get(key)
    if (other === undefined || pull.begun >= other.begun) latest.set(key, pull)
  }
  const since = nowMs - BROKE_OFF_WITHIN_MS
  const short = [...latest.values()].filter(
    (pull) => pull.state === 'incomplete' && Date.parse(pull.begun) >= since,
  )
  const steps = short.slice(-DEVICES_AT_MOST).map((pull): NextStep => {
    const who = visible(pull.client.device ?? pull.client.address)
    return {
      key: `incomplete ${pull.fetches.join()}`,
      weight: 'act',
      text: `${who} has not got all of ${visible(pull.image.name)}. Let it pull again before it restarts.`,
    }
  })
  const more = short.length - steps.length
  if (more > 0) {
    steps.push({
      key: `incomplete more ${more}`,
      weight: 'act',
      text: `${more} more clients have not got all of an image; see the pulls that are over.`,
    })
  }
  return steps
}

function heldSteps({ images }: StepFacts): NextStep[] {
  const held = images.filter((image) => image.state === 'held')
  const locked = images.filter((image) => image.state === 'locked')
  const named = held.slice(0, NAMED_AT_MOST).map(
    (image): NextStep => ({
      key: `held ${image.name} ${image.reason ?? ''}`,
      weight: 'act',
      text: `${visible(image.name)} is held: ${sentence(visible(image.reason ?? 'no reason is known'))} Lift the hold only if you know why it is right.`,
      image: image.name,
    }),
  )
  if (held.length > named.length) {
    const text = `${held.length - named.length} more images are held; each says why in the list.`
    named.push({ key: `held more ${held.length}`, weight: 'act', text })
  }
  const barred = locked.slice(0, NAMED_AT_MOST).map(
    (image): NextStep => ({
      key: `locked ${image.name}`,
      weight: 'look',
      text: `${visible(image.name)} cannot be read: ${sentence(visible(image.reason ?? 'another program has it open'))} It is tried again by itself.`,
      image: image.name,
    }),
  )
  return [...named, ...barred]
}

function troubleSteps({ troubles }: StepFacts): NextStep[] {
  return troubles
    .slice(-TROUBLES_AT_MOST)
    .reverse()
    .map(({ at, message }) => ({ key: `trouble ${at} ${message}`, weight: 'look', text: visible(message) }))
}

/** Clients that were turned away for who they are, with the setting that would admit them. */
function admissionSteps({ refusals }: StepFacts): NextStep[] {
  const steps = new Map<string, NextStep>()
  for (const refusal of refusals) {
    if (refusal.status !== 403 || refusal.hint === null || steps.size >= TROUBLES_AT_MOST) continue
    const who = refusal.client.address
    if (steps.has(who)) continue
    steps.set(who, {
      key: `refused ${who} ${refusal.hint}`,
      weight: 'look',
      text: `${visible(who)} was refused: ${sentence(visible(refusal.reason ?? 'it may not fetch'))} If it is one of yours, start again with ${visible(refusal.hint)}.`,
    })
  }
  return [...steps.values()]
}

function folderSteps({ images, folder }: StepFacts): NextStep[] {
  if (images.length > 0) return []
  const text = 'The staging folder is empty. Drop an image onto this page, or copy it into the folder:'
  return [{ key: 'empty', weight: 'tip', text, line: folder }]
}

function addressSteps({ addresses, images, firewall, pulls }: StepFacts): NextStep[] {
  const offered = addresses.filter((own) => own.offerable && own.urls.length > 0)
  if (offered.length === 0) {
    const text =
      'This machine has no address that a device could reach: only itself can fetch. Plug in the cable, or give the interface an address in the subnet of the devices. It is noticed by itself.'
    return [{ key: 'no address', weight: 'act', text }]
  }
  const ready = images.some((image) => image.state === 'ready')
  if (!ready || pulls.length > 0 || offered.some((own) => own.reached)) return []
  const text =
    'Nothing has connected yet. Paste a line below on a device. If it waits without an answer, this machine’s own firewall may be closed'
  const [tool] = firewall
  if (tool === undefined) return [{ key: 'nothing yet', weight: 'tip', text: `${text}.` }]
  return [{ key: 'nothing yet', weight: 'tip', text: `${text}; this line opens it:`, line: tool.open }]
}

/** With one full stop at its end. */
function sentence(text: string): string {
  return /[.!?]$/.test(text) ? text : `${text}.`
}
