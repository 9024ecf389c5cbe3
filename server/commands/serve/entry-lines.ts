/** One line for each thing that happens, out of the ledger's own entries: when, what, how far, who. */
import { pacedMs } from '../../delivery/fetch-times.ts'
import type { FetchRecord, PullRecord } from '../../delivery/records.ts'
import type { Denial } from '../../depot/admission.ts'
import type { ClientRef, Entry, EntryOf } from '../../ledger/entries.ts'
import { standingText } from '../../report/image-view.ts'
import { heldWords, observedWords } from '../../wording/decided-words.ts'
import { ENDING_WORDS } from '../../wording/ending-words.ts'
import { answerText, refusalWords } from '../../wording/refusal-words.ts'
import { bytesText, clockText, durationText, percentText, rateText } from '../../wording/units.ts'
import { shortened, visible } from '../../wording/visible.ts'
import type { Tone } from '../printing.ts'

interface EntryLine {
  readonly text: string
  readonly tone: Tone
  /** Something needs attention, or a pull has ended: the terminal's bell. */
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

/** Later parts of a line that is too long begin below its words. */
export const WORDS_FROM = 23

/** `21:04:09  delivered    …`: the time, what it is, and the words. */
export function timedLine(iso: string, what: string, words: string): string {
  return `${clockText(iso)}  ${what.padEnd(WORDS_FROM - 12)}  ${words}`
}

/** What the entry means to a person, or undefined when it needs no line of its own. */
export function entryLine(entry: Entry, context: Context): EntryLine | undefined {
  // Long: a list of cases, one a kind of entry.
  const who = (client: ClientRef): string => named(client, context.nameOf(client))
  const line = (what: string, words: string, tone: Tone = 'plain', bell = false): EntryLine => ({
    text: timedLine(entry.at, what, words),
    tone,
    bell,
  })
  switch (entry.kind) {
    case 'image':
      return line('image', imageText(entry, context.urlOf(entry.name)))
    case 'image-gone':
      return line('gone', visible(entry.name))
    case 'held':
      return line('HELD', `${visible(entry.name)}: ${visible(heldWords(entry))}`, 'alarm', true)
    case 'lifted':
      return line('lifted', `${visible(entry.name)}: by ${visible(entry.by)} (${visible(entry.reason)})`)
    case 'struck':
      return line('struck', `entry ${entry.strikes} by ${visible(entry.by)} (${visible(entry.reason)})`)
    case 'fetch-begun':
      return entry.promised === 0 || entry.rehearsal === true
        ? undefined
        : line('begins', begunText(entry, who(entry.client)))
    case 'fetch-ended': {
      const { ended } = context
      if (ended === undefined || ended.rehearsal || entry.ending === 'headers-only') return undefined
      const pull = context.pullOf(entry.id)
      const { name, weight, unsure } = ENDING_WORDS[entry.ending]
      // In capitals what the device surely did not get whole.
      const what = weight === 'alarm' && unsure === undefined ? name.toUpperCase() : name
      return line(what, endedText(ended, pull, who(ended.client)), weight, true)
    }
    case 'fetch-refused': {
      const what = entry.status === undefined ? 'refused' : `refused: ${answerText(entry.status)}`
      return line(what, refusedText(entry, who(entry.client)), 'caution', ALARMING.has(entry.denial ?? ''))
    }
    case 'addresses':
      return line(
        'addresses',
        `changed, so pasted lines may be stale: ${entry.addresses.map(({ address }) => address).join(', ')}`,
        'caution',
        true,
      )
    case 'rehearsed': {
      const { base, checks, differences } = entry
      const differs = differences.length > 0
      const found = differs ? `${differences.length} DIFFERENCES` : 'identical'
      return line('rehearsed', `${base}: ${checks} checks, ${found}`, differs ? 'alarm' : 'plain', differs)
    }
    case 'sheet':
      return line('sheet', `${entry.file}: ${entry.rows.length} rows`)
    case 'observed':
      return line('observed', `${visible(entry.device)}: ${visible(observedWords(entry))}`)
    case 'device-dark':
      return line('dark', `${visible(entry.device)} (${entry.address})`, 'caution', true)
    case 'device-back': {
      const dark = durationText(entry.darkMs / 1000)
      return line(
        'back',
        `${visible(entry.device)} answers again after ${dark} (${entry.address})`,
        'good',
        true,
      )
    }
    default:
      return undefined
  }
}

function imageText(entry: EntryOf<'image'>, url: string | undefined): string {
  const { name, bytes, sha256, published } = entry
  const checksum =
    published.standing === 'none'
      ? 'no published checksum'
      : `published checksum ${standingText({ ...published, source: undefined })}`
  const ready = url === undefined ? '' : ` is ready: ${url}`
  return `${visible(name)}${ready}  (${bytesText(bytes)} bytes, SHA-256 ${sha256.slice(0, 12)}, ${visible(checksum)})`
}

/** `harrowick-sw1 (192.0.2.11)`, or the address alone. */
function named({ address }: ClientRef, device: string | null): string {
  return device === null ? address : `${shortened(device, 40)} (${address})`
}

function begunText(entry: EntryOf<'fetch-begun'>, who: string): string {
  const whole = entry.first === 0 && entry.promised === entry.image?.bytes
  const part = whole
    ? ''
    : `, bytes ${bytesText(entry.first)} to ${bytesText(entry.first + entry.promised - 1)}`
  const changed = entry.versionChanged ? ' (it had begun another version and gets all of this one)' : ''
  const by = entry.door === undefined || entry.door === 'http' ? '' : ` by ${entry.door.toUpperCase()}`
  return `${who}  ${shortened(entry.image?.name ?? '', 40)}${part}${by}${changed}`
}

/** Refusals that need a person. */
const ALARMING: ReadonlySet<string> = new Set<Denial>(['not allowed', 'not planned', 'held'])

/** Where that made it delivered, the client's own program said so: nothing else could have. */
function acknowledgedText({ ending }: FetchRecord): string {
  return ending === 'delivered' ? 'it acknowledged the last byte' : 'its system acknowledged every byte'
}

/** Over less time a rate says nothing of the network. */
const SHORTEST_JUDGED_S = 0.1
/** A device that writes before it closes. */
const LONG_CLOSING_S = 2

/** The system's own codes, such as ECONNRESET, stay in the record. */
function reasonText(reason: string | null): string | null {
  if (reason === null || /^E[A-Z]+$/.test(reason)) return null
  return /^SIG[A-Z]+$/.test(reason) ? 'the server was stopped' : reason
}

function endedText(fetch: FetchRecord, pull: PullRecord | undefined, who: string): string {
  const bytes = fetch.image?.bytes ?? 0
  const whole = fetch.bytesHandedOver === fetch.bytesPromised
  // What was handed over before a loss may have got lost with it.
  const most = fetch.ending === 'cut' ? 'at most ' : ''
  const percent = percentText(fetch.first + fetch.bytesHandedOver, bytes)
  const handed = whole && most === '' ? '' : `${bytesText(fetch.bytesHandedOver)} of `
  const seconds = pacedMs(fetch) / 1000
  const rate = seconds >= SHORTEST_JUDGED_S ? `, ${rateText(fetch.bytesHandedOver / seconds)}` : ''
  const closing = (fetch.durationMs ?? 0) / 1000 - seconds
  const reason = reasonText(fetch.reason)
  const words = fetch.ending === null ? undefined : ENDING_WORDS[fetch.ending]
  const why = [words?.seen, words?.unsure, reason]
    .filter((part) => part != null)
    .map((part) => `: ${visible(part)}`)
  const parts = [
    `${handed}${bytesText(fetch.bytesPromised)} bytes in ${durationText(seconds)}${rate}`,
    ...(closing >= LONG_CLOSING_S ? [`closed ${durationText(closing)} later`] : []),
    ...(fetch.acknowledged === true ? [acknowledgedText(fetch)] : []),
    ...(pull === undefined || pull.state === 'running' ? [] : [`pull ${pull.state}`]),
  ]
  return `${most}${percent}  ${who}  ${shortened(fetch.image?.name ?? '', 40)}${why.join('')}; ${parts.join('; ')}`
}

function refusedText(entry: EntryOf<'fetch-refused'>, who: string): string {
  const what = shortened(entry.target ?? entry.firstLine ?? '', 60)
  const times = entry.count === undefined ? '' : ` (${entry.count} times)`
  const why = visible(refusalWords({ reason: entry.reason, hint: entry.hint ?? null }))
  return `${who}  ${what}: ${why}${times}`
}
