/**
 * What the ledger can say. One typebox schema a kind; the table in DEVELOPERS.md is held against these by a
 * test. Units stand in the names: bytes, `…Ms` milliseconds. `at` is RFC 3339 UTC with milliseconds.
 *
 * What entries of older versions mean, which lack a member, is said where they are read: `delivery/fetches.ts` (no door,
 * no times), `delivery/fetch-times.ts` (no `upMs`), `staging/holds.ts` (lifts without reasons), `staging/image-history.ts`
 * (pasted checksums without digest), `wording/refusal-words.ts` (hints); of `catalogue.json`, `staging/catalogue-store.ts`.
 */
import Type, { type Static, type TSchema } from 'typebox'
import { VisitDetails } from '../settings.ts'
import { FETCH_ENDINGS } from './ending-names.ts'

const STRICT = { additionalProperties: false }
const Hex256 = Type.String({ pattern: '^[0-9a-f]{64}$' })
const Count = Type.Integer({ minimum: 0, maximum: Number.MAX_SAFE_INTEGER })
const Text = Type.String()
/** RFC 3339 §5.6, UTC, any fraction. */
export const Time = Type.String({
  pattern: '^\\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\\d|3[01])T([01]\\d|2[0-3]):[0-5]\\d:[0-5]\\d(\\.\\d+)?Z$',
})
/** Rows of a visit sheet, at most. */
export const SHEET_ROWS_AT_MOST = 20_000

/** Who a connection comes from. `mac` only where the neighbour table knew it at that moment. */
const Client = Type.Object({ address: Text, port: Type.Optional(Count), mac: Type.Optional(Text) }, STRICT)

/** An image version as an entry names it. */
const ImageRef = Type.Object({ name: Text, plainPath: Text, bytes: Count, sha256: Hex256 }, STRICT)

const OwnAddressRef = Type.Object({ address: Text, interface: Text }, STRICT)

const PublishedStanding = Type.Object(
  {
    standing: Type.Enum(['matches', 'differs', 'none']),
    algorithm: Type.Optional(Text),
    /** File (and line) or "pasted" with who; shown to people as it is. */
    source: Type.Optional(Text),
    /** The digest that the maker publishes, in lower-case hex. */
    digest: Type.Optional(Text),
  },
  STRICT,
)

export const FormatStanding = Type.Object(
  {
    kind: Text,
    verdict: Type.Enum(['sound', 'damaged', 'not firmware', 'unknown']),
    detail: Type.Optional(Text),
  },
  STRICT,
)

/** Why an image was held: `cause` tells one reason from another, `reason` is the sentence that people saw. */
const HoldReasonRecord = Type.Object({ cause: Text, reason: Text }, STRICT)

/** One row of the visit sheet as it was read; keys are the column names, the engineer's own included. */
const SheetRowRecord = Type.Record(Type.String(), Type.String())

/** What was asked of a door, and answered; what a fetch and a refusal have in common. */
const ASKED = {
  /** Counts fetches and refusals of this ledger, from 1. */
  id: Count,
  client: Client,
  localAddress: Text,
  localPort: Type.Optional(Count),
  /** The protocol by which a device fetches. Absent in older ledgers, which know HTTP alone. */
  door: Type.Optional(Text),
  method: Type.Optional(Text),
  httpVersion: Type.Optional(Text),
  userAgent: Type.Optional(Text),
  range: Type.Optional(Text),
  /** Absent for the list of checksums, which is of no one image. */
  image: Type.Optional(ImageRef),
  /** What was answered in terms of the door; absent where it has no such number, or no response was sent. */
  status: Type.Optional(Count),
  /** The client had begun another version of this image: it got this one whole, or was refused a part of it. */
  versionChanged: Type.Optional(Type.Boolean()),
}

export const ENTRY_BODIES = {
  opened: {
    version: Text,
    host: Text,
    system: Text,
    zoneOffsetMinutes: Type.Integer({ minimum: -1_440, maximum: 1_440 }),
    addresses: Type.Array(OwnAddressRef),
    settings: Type.Record(Type.String(), Type.Unknown()),
    visit: Type.Optional(VisitDetails),
  },
  closed: { reason: Text },
  addresses: { addresses: Type.Array(OwnAddressRef) },
  image: {
    name: Text,
    plainPath: Text,
    digestPath: Text,
    bytes: Count,
    sha256: Hex256,
    crc32: Type.String({ pattern: '^[0-9a-f]{8}$' }),
    blockBytes: Count,
    /** SHA-256 over the concatenated binary SHA-256 values of all blocks. */
    blocksSha256: Hex256,
    modified: Text,
    published: PublishedStanding,
    format: FormatStanding,
    notes: Type.Array(Text),
  },
  'image-gone': { name: Text, sha256: Hex256 },
  published: {
    name: Text,
    algorithm: Text,
    digest: Text,
    by: Text,
    /** Of the same pasting as the entry before; else what was pasted earlier for this image counts no more. */
    also: Type.Optional(Type.Boolean()),
  },
  held: {
    name: Text,
    sha256: Type.Optional(Hex256),
    reason: Text,
    /** Who held it by hand; absent: the program did, and finds its reasons anew. */
    by: Type.Optional(Text),
  },
  lifted: {
    name: Text,
    sha256: Hex256,
    reason: Text,
    by: Text,
    /** What held it then; any other cause holds it again. Absent in older ledgers. */
    reasons: Type.Optional(Type.Array(HoldReasonRecord)),
  },
  /** A person takes back what was recorded by mistake: an `observed`, `published` or `lifted` entry, by its `seq`. */
  struck: { strikes: Count, reason: Text, by: Text },
  'fetch-begun': {
    ...ASKED,
    target: Text,
    /** What both sides agreed on beforehand, where the door's protocol has that. */
    options: Type.Optional(Type.Record(Type.String(), Type.String())),
    ifRange: Type.Optional(Text),
    /** Reading of a clock that only goes forward, in ms since this run began: the wall clock may be set meanwhile. */
    upMs: Type.Optional(Type.Number({ minimum: 0 })),
    /** Offset of the first promised byte; how many are promised (0 for headers only). */
    first: Count,
    promised: Count,
    /** Other fetches of this client and version that were moving at that moment. */
    beside: Type.Optional(Count),
    /** Asked by a rehearsal, which says so in a header; it never counts as a device's pull. */
    rehearsal: Type.Optional(Type.Boolean()),
  },
  'fetch-ended': {
    id: Count,
    ending: Type.Enum([...FETCH_ENDINGS]),
    acknowledged: Type.Optional(Type.Boolean()),
    bytesHandedOver: Count,
    /** From the request to the first and to the last byte handed over; the rest of durationMs is waiting. */
    firstByteMs: Type.Optional(Type.Number({ minimum: 0 })),
    lastByteMs: Type.Optional(Type.Number({ minimum: 0 })),
    /** Until the send queue was seen empty while the client was still to close. */
    acknowledgedMs: Type.Optional(Type.Number({ minimum: 0 })),
    durationMs: Type.Number({ minimum: 0 }),
    /** What was sent again for want of an answer, where the door itself does that. */
    resent: Type.Optional(Count),
    reason: Type.Optional(Text),
  },
  'fetch-refused': {
    ...ASKED,
    target: Type.Optional(Text),
    /** What it was refused for, in no door's terms; absent where that was the request itself. */
    denial: Type.Optional(Text),
    reason: Text,
    /** The setting that would admit it, or the nearest name: what a person can do. */
    hint: Type.Optional(Text),
    /** First line as it came, when the request could not be parsed. */
    firstLine: Type.Optional(Text),
    /** Like refusals in a row, and when the first and the last of them came. */
    count: Type.Optional(Count),
    since: Type.Optional(Time),
  },
  rehearsed: {
    base: Text,
    by: Text,
    checks: Count,
    differences: Type.Array(Type.Object({ url: Text, check: Text, found: Text }, STRICT)),
  },
  sheet: {
    file: Text,
    sha256: Hex256,
    rows: Type.Array(SheetRowRecord),
    errors: Type.Array(Text),
  },
  neighbour: { address: Text, mac: Text },
  observed: {
    device: Text,
    by: Text,
    before: Type.Optional(Text),
    after: Type.Optional(Text),
    note: Type.Optional(Text),
    /** The digest that the device itself printed, and which image it is. */
    digest: Type.Optional(
      Type.Object({ algorithm: Text, value: Text, image: Type.Optional(ImageRef) }, STRICT),
    ),
  },
  'device-dark': { device: Text, address: Text },
  'device-back': { device: Text, address: Text, darkMs: Type.Number({ minimum: 0 }) },
  recovered: { tornBytes: Count, tornFile: Type.Optional(Text), lostTrack: Type.Array(Count) },
} satisfies Record<string, Record<string, TSchema>>

type Bodies = typeof ENTRY_BODIES
export type EntryKind = keyof Bodies
export const ENTRY_KINDS = Object.keys(ENTRY_BODIES) as readonly EntryKind[]

type BodyOf<K extends EntryKind> = Static<ReturnType<typeof Type.Object<Bodies[K]>>>

/** What a caller appends: the kind and its own members; one that is undefined is left out. */
export type NewEntry = { [K in EntryKind]: { kind: K } & Loose<BodyOf<K>> }[EntryKind]
/** A line of the ledger as it is read back. */
export type Entry = { [K in EntryKind]: { kind: K } & BodyOf<K> }[EntryKind] & {
  seq: number
  at: string
  prev: string
  sum: string
}
/** Optional members may be undefined too. */
type Loose<T> = { [M in keyof T]: object extends Pick<T, M> ? T[M] | undefined : T[M] }
export type EntryOf<K extends EntryKind> = Extract<Entry, { kind: K }>
export type NewEntryOf<K extends EntryKind> = Extract<NewEntry, { kind: K }>

/** Schema of a whole line, by kind. Unknown members are errors: a typing mistake in an entry must not pass. */
export const ENTRY_SCHEMAS: Readonly<Record<EntryKind, TSchema>> = Object.fromEntries(
  Object.entries(ENTRY_BODIES).map(([kind, body]) => [
    kind,
    Type.Object(
      { seq: Count, at: Time, kind: Type.Literal(kind), prev: Hex256, ...body, sum: Hex256 },
      STRICT,
    ),
  ]),
) as unknown as Record<EntryKind, TSchema>

export type ClientRef = Static<typeof Client>
export type ImageReference = Static<typeof ImageRef>
export type OwnAddressReference = Static<typeof OwnAddressRef>
export type Visit = Static<typeof VisitDetails>
export type Published = Static<typeof PublishedStanding>
export type Format = Static<typeof FormatStanding>
export type HoldReason = Static<typeof HoldReasonRecord>
