/** What a screen reader says: answers at once, and what changed, gathered so that a busy minute does not chatter. */
import type { PullRecord } from '../../delivery/records.ts'
import { visible } from '../../wording/visible.ts'
import type { Snapshot } from '../snapshot-shape.ts'

const GATHER_MS = 1_500
const AT_ONCE = 3

/** `onChange`: the text of the polite live region is another. */
export function createAnnouncer(onChange: () => void) {
  let waiting: string[] = []
  let spoken = ''

  /** The same sentence again is another text, so that it is spoken again. */
  function answer(text: string): void {
    spoken = text === spoken ? `${text}\u00a0` : text
    onChange()
  }

  function flush(): void {
    const more = waiting.length - AT_ONCE
    answer(`${waiting.slice(0, AT_ONCE).join(' ')}${more > 0 ? ` And ${more} more.` : ''}`)
    waiting = []
  }

  return {
    text: (): string => spoken,
    say(sentence: string): void {
      waiting.push(sentence)
      if (waiting.length === 1) setTimeout(flush, GATHER_MS)
    },
    /** At once, for what answers a key press. */
    answer,
  }
}

/** What somebody who does not see the page must hear of, from one snapshot to the next. */
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
