/** What changed from one snapshot to the next, as far as somebody who does not see the page must hear of it. */
import type { PullRecord } from '../../delivery/records.ts'
import { visible } from '../../wording/visible.ts'
import type { Snapshot } from '../snapshot-shape.ts'

export function announcementsOf(before: Snapshot, now: Snapshot): string[] {
  return [...alarms(before, now), ...imageNews(before, now), ...pullNews(before, now)]
}

function alarms(before: Snapshot, now: Snapshot): string[] {
  if (before.nextSteps === now.nextSteps) return []
  const told = new Set(before.nextSteps.map(({ key }) => key))
  return now.nextSteps.flatMap(({ key, weight, text }) =>
    weight === 'alarm' && !told.has(key) ? [`Wrong image. ${text}`] : [],
  )
}

function imageNews(before: Snapshot, now: Snapshot): string[] {
  if (before.images === now.images) return []
  const states = new Map(before.images.map((image) => [image.name, image.state]))
  return now.images.flatMap(({ name, state, reason }) => {
    if (states.get(name) === state) return []
    if (state === 'ready') return [`${visible(name)} is ready.`]
    if (state === 'held') return [`${visible(name)} is held. ${visible(reason ?? '')}`]
    return []
  })
}

function pullNews(before: Snapshot, now: Snapshot): string[] {
  const told = new Map(before.pulls.map((pull) => [pullKey(pull), pull.state]))
  const over = now.pulls.flatMap((pull) => {
    if (told.get(pullKey(pull)) === pull.state) return []
    return [`${clientName(pull)}: ${visible(pull.image.name)}, ${pull.state}.`]
  })
  const running = new Set(before.underWay.map(pullKey))
  const begun = now.underWay.flatMap((pull) =>
    running.has(pullKey(pull)) ? [] : [`${clientName(pull)} fetches ${visible(pull.image.name)}.`],
  )
  return [...begun, ...over]
}

/** A pull is known by its first fetch. */
export function pullKey(pull: PullRecord): string {
  return pull.fetches[0] ?? `${pull.client.address} ${pull.begun}`
}

function clientName({ client }: PullRecord): string {
  return visible(client.device ?? client.address)
}
