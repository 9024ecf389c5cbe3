/**
 * Refusals on their way to the ledger. The first of its kind is recorded at once; like ones in a row after it
 * become one entry with a count, so that a device that asks every second does not fill the record. Nor does a flood: of
 * a client's requests for what is not here only the first different ones of a while are recorded, the rest is counted,
 * and so is everything while the disk is nearly full.
 */
import type { ClientRef, NewEntryOf } from '../ledger/entries.ts'
import { cutText } from '../ledger/outside-text.ts'
import { clientGroup } from '../network/addresses.ts'

type Refusal = Omit<NewEntryOf<'fetch-refused'>, 'id'>
export type NewRefusal = Omit<Refusal, 'kind' | 'count' | 'since'>

export interface RefusalsOptions {
  readonly append: (refusal: Refusal) => void
  /** A device of the visit, of which everything is recorded. */
  readonly isPlanned?: (client: ClientRef) => boolean
  /** On the disk of the records. */
  readonly freeBytes?: (() => Promise<number>) | undefined
}

interface Gathered {
  refusal: Refusal
  count: number
  /** RFC 3339 UTC; of the first that is counted. */
  since: string
}

/** How long like refusals are gathered. */
const GATHER_MS = 5_000
const KINDS_AT_MOST = 1_000
/** Of one client, in the time that is gathered. */
const NOISE_AT_MOST = 20
/** Of all clients: a machine may have very many addresses. */
const NOISE_OF_ALL_AT_MOST = 400
const COUNTED_GROUPS_AT_MOST = 100
/** Of a refusal; what a fetch says is kept longer, since its device matters. */
const TEXT_BYTES = 256
/** The rest is for fetches and their endings. */
const SCARCE_BYTES = 32 * 1024 * 1024
const TOO_MANY = 'more requests for what is not here, or that cannot be parsed: only counted'
const NO_ROOM = 'the disk of the record is nearly full: refusals are only counted'

export function createRefusals(options: RefusalsOptions) {
  // Long: one count of like refusals; each function adds to it or writes it out.
  const { append, isPlanned = () => false, freeBytes } = options
  const gathered = new Map<string, Gathered>()
  const counted = new Map<string, Gathered>()
  const noisy = new Map<string, number>()
  let timer: NodeJS.Timeout | undefined
  let scarce = false
  /** Recorded in the time that is gathered. */
  let noise = 0

  function write(these: Map<string, Gathered>): void {
    for (const { refusal, count, since } of these.values())
      if (count > 0) append({ ...refusal, ...(count > 1 && { count, since }) })
    these.clear()
  }

  function flush(): void {
    write(gathered)
    write(counted)
  }

  function next(): void {
    timer = undefined
    noisy.clear()
    noise = 0
    flush()
    // Not known is not scarce: a file system without such a figure fills like any other, and is seen to be full then.
    freeBytes?.().then(
      (free) => (scarce = free < SCARCE_BYTES),
      () => (scarce = false),
    )
  }

  function add(to: Map<string, Gathered>, key: string, refusal: Refusal): void {
    const at = new Date().toISOString()
    const same = to.get(key)
    if (same === undefined) {
      to.set(key, { refusal, count: 1, since: at })
      return
    }
    if (same.count === 0) same.since = at
    same.count += 1
    same.refusal = refusal
  }

  function onlyCounted({ client, localAddress }: NewRefusal, reason: string): void {
    const group = clientGroup(client.address)
    const isNew = !counted.has(group) && counted.size >= COUNTED_GROUPS_AT_MOST
    add(counted, isNew ? '' : group, { kind: 'fetch-refused', client, localAddress, reason })
  }

  /** Whether a client has said more that is noise than is recorded. */
  function isTooNoisy({ client }: NewRefusal): boolean {
    if (isPlanned(client)) return false
    const group = clientGroup(client.address)
    const before = noisy.get(group) ?? 0
    if (before >= NOISE_AT_MOST || noise >= NOISE_OF_ALL_AT_MOST) return true
    noisy.set(group, before + 1)
    noise += 1
    return false
  }

  return {
    record(refusal: NewRefusal): void {
      timer ??= setTimeout(next, GATHER_MS)
      timer.unref()
      const key = keyOf(refusal)
      const entry: Refusal = { kind: 'fetch-refused', ...refusal, ...shortened(refusal) }
      if (gathered.has(key)) add(gathered, key, entry)
      else if (scarce) onlyCounted(refusal, NO_ROOM)
      else if (isNoise(refusal) && isTooNoisy(refusal)) onlyCounted(refusal, TOO_MANY)
      else {
        if (gathered.size >= KINDS_AT_MOST) write(gathered)
        append(entry)
        gathered.set(key, { refusal: entry, count: 0, since: '' })
      }
    },
    /** Writes what was only counted so far. */
    close(): void {
      clearTimeout(timer)
      flush()
    },
  }
}

/** It asked for nothing that is here, or for nothing that could be understood. */
function isNoise({ denial, firstLine }: NewRefusal): boolean {
  return denial === 'unknown name' || firstLine !== undefined
}

function keyOf({ client, door, method, target, range, status, reason, firstLine }: NewRefusal): string {
  return JSON.stringify([client.address, door, method, target, range, status, reason, firstLine])
}

function shortened({ target, userAgent, firstLine, range }: NewRefusal): Partial<NewRefusal> {
  return Object.fromEntries(
    Object.entries({ target, userAgent, firstLine, range }).flatMap(([name, text]) =>
      text === undefined ? [] : [[name, cutText(text, TEXT_BYTES)]],
    ),
  )
}
