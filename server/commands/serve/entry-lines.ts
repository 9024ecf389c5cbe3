/** One line for each thing that happens, out of the ledger's own entries. Tired readers first: who, what, how. */
import { pacedMs } from '../../delivery/at-the-same-time.ts'
import type { FetchRecord, PullRecord } from '../../delivery/records.ts'
import type { Denial } from '../../depot/admission.ts'
import type { ClientRef, Entry } from '../../ledger/entries.ts'
import { standingText } from '../../report/image-view.ts'
import { heldWords, observedWords } from '../../wording/decided-words.ts'
import { answerText, refusalWords } from '../../wording/refusal-words.ts'
import { bytesText, clockText, durationText, rateText } from '../../wording/units.ts'
import { shortened, visible } from '../../wording/visible.ts'

interface EntryLine {
  readonly text: string
  /** Something needs a hand, or a pull has ended: the terminal's bell. */
  readonly bell: boolean
}

/** What else is known when an entry is told. */
interface Context {
  /** The fetch that a `fetch-ended` entry ends. */
  readonly ended: FetchRecord | undefined
  readonly pullOf: (fetchId: number) => PullRecord | undefined
  /** The client's name on the visit sheet. */
  readonly nameOf: (client: ClientRef) => string | null
  /** What to paste for an image that is ready. */
  readonly urlOf: (imageName: string) => string | undefined
}

/** What the entry means to a person, or undefined when it needs no line of its own. */
export function entryLine(entry: Entry, context: Context): EntryLine | undefined {
  const at = clockText(entry.at)
  const who = (client: ClientRef): string => named(client, context.nameOf(client))
  const line = (text: string, bell = false): EntryLine => ({ text: `${at}  ${text}`, bell })
  switch (entry.kind) {
    case 'image':
      return line(imageText(entry, context.urlOf(entry.name)))
    case 'image-gone':
      return line(`${visible(entry.name)} is gone`)
    case 'held':
      return line(`HELD  ${visible(entry.name)}: ${visible(heldWords(entry))}`, true)
    case 'lifted':
      return line(`${visible(entry.name)}: hold lifted by ${visible(entry.by)} (${visible(entry.reason)})`)
    case 'struck':
      return line(`entry ${entry.strikes} struck by ${visible(entry.by)} (${visible(entry.reason)})`)
    case 'fetch-begun':
      return entry.promised === 0 || entry.rehearsal === true
        ? undefined
        : line(begunText(entry, who(entry.client)))
    case 'fetch-ended': {
      const { ended } = context
      if (ended === undefined || ended.rehearsal || entry.ending === 'headers-only') return undefined
      return line(endedText(ended, context.pullOf(entry.id), who(ended.client)), true)
    }
    case 'fetch-refused':
      return line(refusedText(entry, who(entry.client)), ALARMING.has(entry.denial ?? ''))
    case 'addresses':
      return line(
        `This machine's addresses changed: ${entry.addresses.map(({ address }) => address).join(', ')}`,
        true,
      )
    case 'rehearsed': {
      const { base, checks, differences } = entry
      const found = differences.length === 0 ? 'no difference' : `${differences.length} DIFFERENCES`
      return line(`rehearsed ${base}: ${checks} checks, ${found}`, differences.length > 0)
    }
    case 'sheet':
      return line(`${entry.file}: ${entry.rows.length} rows`)
    case 'observed':
      return line(`${visible(entry.device)}: ${visible(observedWords(entry))}`)
    case 'device-dark':
      return line(`${visible(entry.device)} has gone dark (${entry.address})`, true)
    case 'device-back':
      return line(
        `${visible(entry.device)} answers again after ${durationText(entry.darkMs / 1000)} (${entry.address})`,
        true,
      )
    default:
      return undefined
  }
}

function imageText(entry: Extract<Entry, { kind: 'image' }>, url: string | undefined): string {
  const { name, bytes, sha256, published } = entry
  const checksum =
    published.standing === 'none' ? 'no published checksum' : `published checksum ${standingText(published)}`
  const ready = url === undefined ? '' : ` is ready: ${url}`
  return `${visible(name)}${ready}  (${bytesText(bytes)} bytes, SHA-256 ${sha256.slice(0, 12)}, ${visible(checksum)})`
}

/** `harrowick-sw1 (192.0.2.11)`, or the address alone. */
function named({ address }: ClientRef, device: string | null): string {
  return device === null ? address : `${shortened(device, 40)} (${address})`
}

function begunText(entry: Extract<Entry, { kind: 'fetch-begun' }>, who: string): string {
  const whole = entry.first === 0 && entry.promised === entry.image?.bytes
  const part = whole
    ? ''
    : `, bytes ${bytesText(entry.first)} to ${bytesText(entry.first + entry.promised - 1)}`
  const changed = entry.versionChanged ? ' (it had begun another version and gets all of this one)' : ''
  const by = entry.door === undefined || entry.door === 'http' ? '' : ` by ${entry.door.toUpperCase()}`
  return `${who} fetches ${shortened(entry.image?.name ?? '', 40)}${part}${by}${changed}`
}

/** Refusals that need a hand. */
const ALARMING: ReadonlySet<string> = new Set<Denial>(['not allowed', 'not planned', 'held'])

const ENDING_TEXT: Record<string, string> = {
  delivered: 'delivered: the client took every byte and closed normally',
  unconfirmed: 'unconfirmed: every byte was handed over',
  'reset-late': 'reset by the client after the last byte was handed over: it may have all, some or none',
  cut: 'CUT before the last byte was handed over',
  withdrawn: 'WITHDRAWN',
  'lost-track': 'lost track: the server had stopped',
}

/** By its own program: nothing else could have. */
const ACKNOWLEDGED = 'delivered: the client acknowledged the last byte'

/** Over less time a rate says nothing of the network. */
const SHORTEST_JUDGED_S = 0.1
/** A device that writes before it closes. */
const LONG_CLOSING_S = 2

function endedText(fetch: FetchRecord, pull: PullRecord | undefined, who: string): string {
  const image = shortened(fetch.image?.name ?? '', 40)
  const whole = fetch.bytesHandedOver === fetch.bytesPromised
  // What was handed over before a loss may have got lost with it.
  const most = fetch.ending === 'cut' ? 'at most ' : ''
  const handed = whole && most === '' ? '' : `${most}${bytesText(fetch.bytesHandedOver)} of `
  const seconds = pacedMs(fetch) / 1000
  const rate = seconds >= SHORTEST_JUDGED_S ? `, ${rateText(fetch.bytesHandedOver / seconds)}` : ''
  const closing = (fetch.durationMs ?? 0) / 1000 - seconds
  const closed = closing >= LONG_CLOSING_S ? `, then ${durationText(closing)} until it ended` : ''
  const acknowledged =
    fetch.ending !== 'delivered' && fetch.acknowledged === true ? ' (its system acknowledged every byte)' : ''
  const ending =
    fetch.ending === 'delivered' && fetch.acknowledged === true
      ? ACKNOWLEDGED
      : (ENDING_TEXT[fetch.ending ?? ''] ?? fetch.ending ?? '')
  const reason = fetch.reason === null ? '' : ` (${visible(fetch.reason)})`
  const state = pull === undefined || pull.state === 'running' ? '' : ` | pull ${pull.state}`
  return `${who}  ${image}  ${ending}${acknowledged}${reason}; ${handed}${bytesText(fetch.bytesPromised)} bytes in ${durationText(seconds)}${rate}${closed}${state}`
}

function refusedText(entry: Extract<Entry, { kind: 'fetch-refused' }>, who: string): string {
  const what = shortened(entry.target ?? entry.firstLine ?? '', 60)
  const times = entry.count === undefined ? '' : ` (${entry.count} times)`
  const why = visible(refusalWords({ reason: entry.reason, hint: entry.hint ?? null }))
  return `${who} refused${entry.status === undefined ? '' : ` with ${answerText(entry.status)}`}: ${what}  ${why}${times}`
}
