/**
 * What the evidence of one pull allows to be said. Pure. `complete` only when delivered ranges and the client's
 * own resume statements cover every byte; bytes that were merely handed over make it `unconfirmed` at best.
 */
import { overlap } from './coverage.ts'
import { movedAtOnce } from './fetch-times.ts'
import { handedSpan, type PullEvidence } from './pull-evidence.ts'
import type { FetchRecord, PullRecord, PullState } from './records.ts'

/**
 * The same bytes handed over to one address twice at the same time. Both delivered: several devices stand behind
 * it. Else it may be one client that left requests early, as segmented ones do, or a device that restarted.
 * Waiting for the client to close does not count as handing over.
 */
export function handedTwice(a: FetchRecord, b: FetchRecord): 'no' | 'by one or several' | 'to several' {
  if (!overlap(handedSpan(a), handedSpan(b)) || !movedAtOnce(a, b)) return 'no'
  return a.ending === 'delivered' && b.ending === 'delivered' ? 'to several' : 'by one or several'
}

/** What is known of a pull's client: its hardware address, and its name on the visit sheet. */
interface KnownClient {
  readonly mac: string | null
  readonly device: string | null
}

/** Judges one pull. Its list of fetches is the evidence's own, which only ever grows. */
export function judgePull(pull: PullEvidence, { mac, device }: KnownClient): PullRecord {
  // One fetch alone may have delivered all beside an earlier one that was moving still: a server that is busy sees a
  // device's close after the device has come again.
  const segmented = pull.inParts && !pull.deliveredWhole
  // A client that works in segments says nothing by its ranges.
  const stated = segmented ? 0 : pull.statedEnd
  const state = stateOf(pull, stated, segmented)
  const { seconds, ended } = state === 'running' ? { seconds: null, ended: null } : pull.durations.overAll()
  const { otherAddresses, image } = pull
  const { address } = pull.client
  return {
    client: { address, mac, device },
    ...(otherAddresses.length > 0 && { addresses: [address, ...otherAddresses] }),
    image,
    state,
    // What the next device at its network address says to hold, this one need not.
    bytesCovered: bytesCovered(pull, isMixed(pull) ? 0 : stated),
    begunSeq: pull.begunSeq,
    latestSeq: pull.latestSeq,
    begun: pull.begun,
    ended,
    seconds,
    bytesPerSecond: seconds === null || seconds === 0 ? null : Math.round(pull.bytesHandedOver / seconds),
    versionChanged: pull.versionChanged,
    shared: pull.shared,
    notes: notesOf(pull, segmented),
    fetches: pull.fetches,
  }
}

function stateOf(pull: PullEvidence, stated: number, segmented: boolean): PullState {
  if (pull.underWay > 0) return 'running'
  const rest = { first: stated, end: pull.image.bytes }
  if (pull.delivered.holds(rest)) {
    // Ranges that add up may be those of two devices.
    const unsure = pull.shared || isMixed(pull) || (pull.doubled && segmented)
    return unsure ? 'unconfirmed' : 'complete'
  }
  return pull.handedOver.holds(rest) ? 'unconfirmed' : 'incomplete'
}

/** What was delivered whole was so by its first fetch, its own. */
function isMixed({ mixed, deliveredWhole }: PullEvidence): boolean {
  return mixed && !deliveredWhole
}

/** Who states something asks for all that is left each time: what was delivered is one span then. */
function bytesCovered({ delivered }: PullEvidence, stated: number): number {
  if (stated === 0) return delivered.bytes
  let bytes = stated
  for (const { first, end } of delivered.spans()) bytes += Math.max(0, end - Math.max(first, stated))
  return bytes
}

function notesOf(pull: PullEvidence, segmented: boolean): string[] {
  const { stated, statedTimes, otherAddresses } = pull
  const notes: string[] = []
  if (pull.shared)
    notes.push('several devices share this address: which of them holds the image was not seen')
  if (isMixed(pull))
    notes.push(
      'another device came to its network address meanwhile: whose the later parts were was not seen',
    )
  if (pull.versionChanged)
    notes.push('the client had begun another version and was given this one from the start')
  if (otherAddresses.length > 0) notes.push(`went on under another address: ${otherAddresses.join(', ')}`)
  if (statedTimes > 0 && !segmented) {
    const more = statedTimes - stated.length
    notes.push(`resumed at byte ${stated.join(', ')}${more > 0 ? ` and ${more} times more` : ''}`)
  }
  if (segmented && pull.doubled && !pull.shared)
    notes.push(
      'fetched in segments, some bytes twice at the same time: one client that left requests early, or several devices',
    )
  else if (segmented) notes.push('fetched in segments')
  if (pull.undelivered !== null) notes.push(pull.undelivered)
  return notes
}
