/**
 * What to do next, in the order of urgency, from what is known this moment. Pure. A sentence says what is the
 * matter and what a hand can do about it.
 */
import type { LivePull } from '../delivery/live-pulls.ts'
import type { FetchRecord, PullRecord } from '../delivery/records.ts'
import type { FirewallLine } from '../network/firewall.ts'
import type { ImageView } from '../report/image-view.ts'
import type { Hint } from '../visit/hints.ts'
import { refusalWords, sentence } from '../wording/refusal-words.ts'
import { clockText } from '../wording/units.ts'
import { visible } from '../wording/visible.ts'
import {
  hintSteps,
  pullSteps,
  stallSteps,
  strangerSteps,
  warningSteps,
  wrongImageSteps,
} from './device-advice.ts'
import type { AddressView, NextStep, Weight } from './snapshot-shape.ts'
import type { VisitView } from './visit-view.ts'

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
  /** Of those under way, the ones that have not moved for long. */
  readonly stalls: readonly LivePull[]
  /** What fetches may mean. */
  readonly hints: readonly Hint[]
  /** When this run began, RFC 3339 UTC. */
  readonly started: string
}

/** Troubles shown here; the terminal has said all of them. */
const TROUBLES_AT_MOST = 3
/** More held images than this are counted instead of named. */
const NAMED_AT_MOST = 5

const ORDER: Readonly<Record<Weight, number>> = { alarm: 0, act: 1, look: 2, tip: 3 }

export function nextSteps(facts: StepFacts): NextStep[] {
  return [
    ...wrongImageSteps(facts),
    ...ledgerSteps(facts),
    ...pullSteps(facts),
    ...otherVersionSteps(facts),
    ...heldSteps(facts),
    ...warningSteps(facts),
    ...strangerSteps(facts),
    ...sheetSteps(facts),
    ...hintSteps(facts),
    ...stallSteps(facts),
    ...troubleSteps(facts),
    ...admissionSteps(facts),
    ...folderSteps(facts),
    ...addressSteps(facts),
  ].sort((a, b) => ORDER[a.weight] - ORDER[b.weight])
}

function ledgerSteps({ ledgerWritable }: StepFacts): NextStep[] {
  if (ledgerWritable) return []
  const text =
    'The ledger cannot be written, so new fetches are refused. Free some space on its disk, or start again with --records and a writable place.'
  return [{ key: 'ledger', weight: 'act', text }]
}

function sheetSteps({ visit }: StepFacts): NextStep[] {
  if (visit === null) return []
  const { errors } = visit
  const file = visible(visit.file)
  const steps = errors.slice(0, TROUBLES_AT_MOST).map(
    (error): NextStep => ({
      key: `sheet ${error}`,
      weight: 'look',
      text: `${file}: ${visible(error)}`,
    }),
  )
  const more = errors.length - steps.length
  if (more > 0) {
    const text = `${file}: ${more} more things to correct; “fetchproof sheet” shows all of them.`
    steps.push({ key: `sheet more ${more}`, weight: 'look', text, things: more })
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
      text: heldText(image),
      image: image.name,
    }),
  )
  if (held.length > named.length) {
    const more = held.length - named.length
    const text = `${more} more images are held; each says why in the list.`
    named.push({ key: `held more ${held.length}`, weight: 'act', text, things: more })
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

/** A person's own reason wants no advice, and some reasons say themselves when to lift. */
function heldText({ name, reason }: ImageView): string {
  const said = sentence(visible(reason ?? 'no reason is known'))
  if (said.startsWith('Held by ')) return `${visible(name)} is h${said.slice(1)}`
  const advice = ' Lift the hold only if you know why the mismatch is harmless.'
  return `${visible(name)} is held: ${said}${said.includes('lift the hold') ? '' : advice}`
}

/** With their time: what happened at eight is no news at midnight. */
function troubleSteps({ troubles }: StepFacts): NextStep[] {
  return troubles
    .slice(-TROUBLES_AT_MOST)
    .reverse()
    .map(({ at, message }) => ({
      key: `trouble ${at} ${message}`,
      weight: 'look',
      text: `${clockText(at)}: ${visible(message)}`,
    }))
}

/** Clients that hold a part of another version, until they begin anew. */
function otherVersionSteps({ refusals, pulls, visit }: StepFacts): NextStep[] {
  if (!refusals.some(({ versionChanged }) => versionChanged)) return []
  const told = new Set(visit?.rows.flatMap(({ address, refused }) => (refused ? (address ?? []) : [])))
  const begun = new Map(pulls.map((pull) => [clientOf(pull), pull.begunSeq]))
  const steps = new Map<string, NextStep>()
  for (const refusal of refusals) {
    const key = clientOf(refusal)
    steps.delete(key)
    if (!refusal.versionChanged || told.has(refusal.client.address)) continue
    if ((begun.get(key) ?? 0) > refusal.begunSeq) continue
    const what = visible(refusal.image?.name ?? '')
    steps.set(key, {
      key: `other version ${key}`,
      weight: 'act',
      text: `${visible(refusal.client.address)} asks for the rest of ${what}, but holds a part of another version: delete the part on the device, then fetch it again from the start.`,
    })
  }
  return [...steps.values()].slice(-NAMED_AT_MOST)
}

function clientOf({ client, image }: Pick<FetchRecord | PullRecord, 'client' | 'image'>): string {
  return `${client.address} ${image?.name ?? ''}`
}

/** Clients that were turned away for who they are, with the setting that would admit them. */
function admissionSteps({ refusals, visit }: StepFacts): NextStep[] {
  // Of a planned device its standing says it.
  const told = new Set(visit?.rows.flatMap(({ address, refused }) => (refused ? (address ?? []) : [])))
  const steps = new Map<string, NextStep>()
  for (const refusal of refusals) {
    if (refusal.status !== 403 || refusal.hint === null || steps.size >= TROUBLES_AT_MOST) continue
    const who = refusal.client.address
    if (steps.has(who) || told.has(who)) continue
    steps.set(who, {
      key: `refused ${who} ${refusal.hint}`,
      weight: 'look',
      text: `${visible(who)} was refused: ${visible(refusalWords(refusal))}`,
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
