/**
 * Holds the ledger against what the devices know of themselves. Every difference that matters is a sentence; an
 * empty list is a passed run.
 */
import type { FetchRecord, PullRecord } from '../../server/delivery/records.ts'
import type { Audit } from '../commands/in-process.ts'
import { type Device, READ_REQUEST, type RequestTruth, userAgentOf } from './device.ts'
import type { Images } from './images.ts'
import { bytesIn, holdsAll } from './spans.ts'

export type DeviceState = PullRecord['state'] | 'no pull'

export interface DeviceVerdict {
  readonly device: Device
  readonly holdsWhole: boolean
  readonly state: DeviceState
  /** Holds all and closed in order, alone behind its address and met by no kill: must be `complete`. */
  readonly due: boolean
  readonly wrongClaims: number
}

export interface Comparison {
  readonly faults: readonly string[]
  readonly devices: readonly DeviceVerdict[]
  readonly due: number
  readonly dueComplete: number
  /** Those that are due and not complete, with what is on record of them. */
  readonly missed: readonly string[]
  /**
   * Fetches said to be delivered of which the device's system had taken every byte and closed in order, while its
   * program read only a part and then reset: TCP shows no difference to a good pull.
   */
  readonly takenBySystemOnly: number
}

export interface Evidence {
  readonly devices: readonly Device[]
  readonly images: Images
  readonly audit: Audit
  readonly lastLife: number
}

const RANK: Readonly<Record<DeviceState, number>> = {
  'no pull': 0,
  incomplete: 1,
  running: 2,
  unconfirmed: 3,
  complete: 4,
}

/** They keep no truth, and stand at addresses of their own (scripts/attack/attacker.mjs). */
function withoutAttackers({ fetches, pulls }: Evidence['audit']): Pick<Audit, 'fetches' | 'pulls'> {
  const isDevice = ({ client }: { readonly client: { readonly address: string } }): boolean =>
    !client.address.startsWith('127.250.')
  return { fetches: fetches.filter(isDevice), pulls: pulls.filter(isDevice) }
}

export function compare(evidence: Evidence): Comparison {
  const { devices, images, lastLife } = evidence
  const audit = withoutAttackers(evidence.audit)
  const faults: string[] = []
  const wrongOf = new Map<string, number>()
  const stateOf = new Map<string, DeviceState>()
  const behind = groupBy(devices, ({ address }) => address)
  const records = groupBy(
    audit.fetches.filter(({ client }) => client.address !== '127.0.0.1'),
    ({ client }) => client.address,
  )
  const truthOf = new Map<string, RequestTruth>()

  for (const [address, here] of behind) {
    const found = compareFetches(here, records.get(address) ?? [], lastLife)
    for (const [id, truth] of found.truthOf) truthOf.set(id, truth)
    for (const claim of found.wrongClaims) wrong(address, claim)
    faults.push(...found.faults.map((fault) => `${whoIs(here)}: ${fault}`))
  }
  for (const [address, stray] of records) {
    if (!behind.has(address)) faults.push(`${stray.length} entries of ${address}, where no device stands`)
  }

  function wrong(address: string, claim: string): void {
    wrongOf.set(address, (wrongOf.get(address) ?? 0) + 1)
    faults.push(`${whoIs(behind.get(address) ?? [])}: WRONG CLAIM: ${claim}`)
  }

  for (const pull of audit.pulls) {
    const { address } = pull.client
    const here = behind.get(address) ?? []
    const name = `pull of ${pull.image.name} ${pull.image.sha256.slice(0, 8)} (fetches ${pull.fetches.join(', ')})`
    const known = images.version(pull.image.sha256)
    const before = stateOf.get(address) ?? 'no pull'
    if (RANK[pull.state] > RANK[before]) stateOf.set(address, pull.state)
    if (known === undefined || known.bytes !== pull.image.bytes) {
      faults.push(`${name}: there never was such a version`)
      continue
    }
    if (pull.state === 'running') faults.push(`${name} of ${address} still runs after the server has ended`)
    const truths = pull.fetches.flatMap((id) => truthOf.get(id) ?? [])
    if (truths.length !== pull.fetches.length) faults.push(`${name}: some of its fetches no device knows`)
    const held = truths.flatMap((truth) => (truth.version === known.sha256 ? truth.heldAfter : []))
    if (pull.bytesCovered > bytesIn(held)) {
      wrong(address, `${name} covers ${pull.bytesCovered} bytes, ${bytesIn(held)} are held`)
    }
    if (pull.state === 'complete' && !holdsSomewhere(here, truths, known.sha256, known.bytes)) {
      wrong(address, `${name} is complete, and no device there holds all ${known.bytes} bytes`)
    }
  }

  const verdicts = devices.map((device): DeviceVerdict => {
    const shared = (behind.get(device.address)?.length ?? 0) > 1
    return {
      device,
      holdsWhole: device.heldWhole.size > 0,
      state: stateOf.get(device.address) ?? 'no pull',
      due:
        !shared &&
        metNoKill(device, records.get(device.address) ?? []) &&
        [...device.heldWhole].some((version) => seenInOrder(device, version, images)),
      wrongClaims: wrongOf.get(device.address) ?? 0,
    }
  })
  const due = verdicts.filter((verdict) => verdict.due)
  const dueComplete = due.filter(({ state }) => state === 'complete').length
  const late = due.filter(({ state }) => state !== 'complete')
  const missed = late.map(({ device, state }) => {
    const endings = (records.get(device.address) ?? []).map(wordsOfFetch)
    const closing = device.requests.map(({ closingMs }) => closingMs).join(', ')
    return `${whoIs([device])} is ${state}: ${endings.join('; ')}; it closed after ${closing} ms`
  })
  const unseen = late.filter(({ device }) => closedUnseen(records.get(device.address) ?? []))
  if (missed.length > missedAtMost(due.length, unseen.length)) {
    faults.push(`only ${dueComplete} of ${due.length} devices that hold all and closed in order are complete`)
  }
  const takenBySystemOnly = audit.fetches.filter(
    ({ id, ending }) => ending === 'delivered' && (truthOf.get(id)?.inSystem ?? 0) > 0,
  ).length
  return { faults, devices: verdicts, due: due.length, dueComplete, missed, takenBySystemOnly }
}

/** The two ends closed in the same moment, and the server says that it did not see how. */
export function closedUnseen(records: readonly FetchRecord[]): boolean {
  return records.some(({ reason }) => reason?.startsWith('the connection vanished') === true)
}

/**
 * One in a hundred. In a small fleet chance alone gives more now and then: there one device, or as many as one in a hundred
 * gives in all but a few runs of ten thousand (3.3 standard deviations), and only those whose close could not be seen.
 */
export function missedAtMost(due: number, unseen: number): number {
  const share = due * 0.01
  const byChance = Math.max(1, share + 3.3 * Math.sqrt(share))
  return due < SMALL_FLEET ? Math.max(share, Math.min(unseen, byChance)) : share
}
const SMALL_FLEET = 1_000

/** Behind a shared address any one device must hold all; each device's own file counts, not their sum. */
function holdsSomewhere(
  here: readonly Device[],
  truths: readonly RequestTruth[],
  sha256: string,
  bytes: number,
): boolean {
  if (here.length > 1)
    return here.some((device) => device.heldWhole.has(sha256) || heldInSystem(device, sha256, bytes))
  return truths.some((truth) => truth.version === sha256 && holdsAll(truth.heldAfter, bytes))
}

/** Its system took all and closed in order while its program read only a part: TCP shows no difference. */
export function heldInSystem({ requests }: Device, sha256: string, bytes: number): boolean {
  return requests.some(
    ({ version, inSystem, heldAfter }) => version === sha256 && inSystem > 0 && holdsAll(heldAfter, bytes),
  )
}

/**
 * Not as the device saw it alone: the server may die before it has seen a close, and it resets what is under way when
 * an image is held, also what only waits for its client to close.
 */
export function metNoKill({ requests }: Device, records: readonly FetchRecord[]): boolean {
  const sameLife = requests.every(({ life, lifeAtEnd }) => life === lifeAtEnd && life === requests[0]?.life)
  const reset = ({ ending, reason }: FetchRecord): boolean =>
    ending === 'lost-track' || (ending === 'withdrawn' && reason === 'the image was held')
  return sameLife && !records.some(reset)
}

/**
 * In one pull every byte came over connections that were closed in order, or was stated by a resume, as long as the
 * device does not work in segments. A request from byte 0 for bytes that were asked for before begins another pull:
 * a device that starts over may have lost the rest. One that takes the same bytes twice at the same time looks like two.
 */
export function seenInOrder(device: Device, sha256: string, images: Images): boolean {
  const bytes = images.version(sha256)?.bytes
  if (bytes === undefined) return false
  const answered = device.requests.filter(({ version, promised }) => version === sha256 && promised > 0)
  if (answered.some((one) => answered.some((other) => one !== other && takenAtOnce(one, other)))) return false
  let pull: RequestTruth[] = []
  for (const truth of answered) {
    if (truth.first === 0 && pull.some(({ first }) => first < truth.promised)) pull = []
    pull.push(truth)
  }
  const whole = pull.filter(
    (truth) => truth.leaving === 'in order' && !truth.halfClosedFirst && truth.received === truth.promised,
  )
  let stated = 0
  if (pull.every(({ first, promised }) => first + promised === bytes)) {
    for (const { range, status } of device.requests) {
      if (status === 416 && range === `bytes=${bytes}-`) stated = bytes
    }
    for (const { range, first, resumedHonestly } of whole) {
      if (range === `bytes=${first}-` && resumedHonestly) stated = Math.max(stated, first)
    }
  }
  const received = whole.map(({ first, promised }) => ({ first, end: first + promised }))
  return holdsAll([{ first: 0, end: stated }, ...received], bytes)
}

/** Some bytes were promised by both answers, and the requests were open at the same time. */
function takenAtOnce(a: RequestTruth, b: RequestTruth): boolean {
  return (
    Math.max(a.begunAt, b.begunAt) < Math.min(a.endedAt, b.endedAt) &&
    Math.max(a.first, b.first) < Math.min(a.first + a.promised, b.first + b.promised)
  )
}

interface FetchComparison {
  readonly faults: readonly string[]
  readonly wrongClaims: readonly string[]
  /** By fetch id. */
  readonly truthOf: ReadonlyMap<string, RequestTruth>
}

/** All entries of one address against all requests of the devices behind it. */
function compareFetches(
  here: readonly Device[],
  records: readonly FetchRecord[],
  lastLife: number,
): FetchComparison {
  const faults: string[] = []
  const wrongClaims: string[] = []
  const truthOf = new Map<string, RequestTruth>()
  const requests = here.flatMap((device) => device.requests)
  const agents = new Set(here.map(({ number }) => userAgentOf(number)))
  for (const truth of requests) {
    const what = `${truth.method} ${truth.range ?? 'whole'} from port ${truth.port}`
    if (truth.foreign !== undefined) faults.push(`${what}: ${truth.foreign}`)
    if (truth.shortInOrder && truth.life === truth.lifeAtEnd) {
      faults.push(`${what}: the server ended in order after ${truth.received} of ${truth.promised} bytes`)
    }
  }
  const served = groupBy(
    records.filter(({ ending }) => ending !== 'refused'),
    keyOf,
  )
  for (const truth of requests.filter((each) => !each.pipelined)) {
    const of = served.get(`${truth.method} ${truth.port}`) ?? []
    served.delete(`${truth.method} ${truth.port}`)
    const [record] = of
    if (of.length > 1) faults.push(`${of.length} entries for one request from port ${truth.port}`)
    if (record === undefined) {
      if (truth.status === 200 || truth.status === 206 || truth.received > 0)
        faults.push(`no entry for a fetch from port ${truth.port}`)
      continue
    }
    truthOf.set(record.id, truth)
    const found = compareFetch(record, truth)
    faults.push(...found.faults)
    wrongClaims.push(...found.wrongClaims)
  }
  for (const [key, left] of served) faults.push(`${left.length} entries without a request: ${key}`)
  for (const { userAgent, id } of records) {
    if (userAgent !== null && !agents.has(userAgent)) faults.push(`fetch ${id} names ${userAgent}`)
  }
  faults.push(...compareRefusals(requests, records, lastLife))
  return { faults, wrongClaims, truthOf }
}

function compareFetch(record: FetchRecord, truth: RequestTruth): { faults: string[]; wrongClaims: string[] } {
  const faults: string[] = []
  const wrongClaims: string[] = []
  const name = `fetch ${record.id} (${record.range ?? 'whole'}, ${record.ending})`
  const byTftp = truth.method === READ_REQUEST
  if (record.userAgent !== (byTftp ? null : userAgentOf(truth.device)))
    faults.push(`${name} names ${record.userAgent}`)
  if (record.range !== (truth.range ?? null) || record.target !== truth.target) {
    faults.push(`${name} was asked otherwise: ${truth.target} ${truth.range}`)
  }
  // A TFTP transfer that is stopped before its first answer has left looks refused to the device, and so does one that it
  // asked for once more and was refused then.
  const answerUnseen = byTftp && truth.received === 0 && (record.ending === 'withdrawn' || truth.asked > 1)
  if (truth.status !== undefined && record.status !== truth.status && !answerUnseen) {
    faults.push(`${name} has status ${record.status}, the device got ${truth.status}`)
  }
  if (truth.version !== undefined && record.image?.sha256 !== truth.version) {
    faults.push(`${name} names version ${record.image?.sha256}, the device got ${truth.version}`)
  }
  if (truth.promised > 0 && (record.bytesPromised !== truth.promised || record.first !== truth.first)) {
    faults.push(
      `${name} promised ${record.first}+${record.bytesPromised}, the device was promised ${truth.first}+${truth.promised}`,
    )
  }
  if (record.ending === null) faults.push(`${name} has no ending`)
  // What was handed over before the server died is not known, and stands as 0.
  if (record.bytesHandedOver < truth.received && record.ending !== 'lost-track') {
    faults.push(`${name} handed over ${record.bytesHandedOver} bytes, the device received ${truth.received}`)
  }
  if (record.bytesHandedOver > record.bytesPromised) faults.push(`${name} handed over more than it promised`)
  if (record.ending === 'delivered') {
    if (truth.received + truth.inSystem < record.bytesPromised || truth.promised === 0) {
      wrongClaims.push(
        `${name} is delivered, the device received ${truth.received} and its system ${truth.inSystem} of ${record.bytesPromised}`,
      )
    } else if (truth.leaving === 'reset') {
      wrongClaims.push(`${name} is delivered, the device ended with a reset`)
    } else if (byTftp && truth.leaving !== 'in order') {
      wrongClaims.push(`${name} is delivered, the device has not acknowledged the last block`)
    }
  }
  return { faults, wrongClaims }
}

/** Status codes by which no image byte was promised. */
const REFUSING: ReadonlySet<number> = new Set([403, 404, 405, 409, 412, 416, 503])

/** Refusals are counted, since like ones in a row share an entry; what was only counted dies with the server. */
function compareRefusals(
  requests: readonly RequestTruth[],
  records: readonly FetchRecord[],
  lastLife: number,
): string[] {
  const faults: string[] = []
  const refused = records.filter(({ ending }) => ending === 'refused')
  const behindOthers = refused.filter(({ status }) => status === null)
  const answered = groupBy(
    requests.filter(
      ({ method, status }) => status !== undefined && (method === READ_REQUEST || REFUSING.has(status)),
    ),
    ({ method, status, range }) => `${method} ${status} ${range ?? 'whole'}`,
  )
  const unanswered = requests.filter(
    ({ status, pipelined, received }) => status === undefined && !pipelined && received === 0,
  ).length
  const named = refused.filter((record) => record.status !== null && !isUnread(record))
  const entries = groupBy(
    named,
    ({ method, status, range }) => `${method ?? READ_REQUEST} ${status} ${range ?? 'whole'}`,
  )
  // Met by HTTP, and no entry names the request; and how many of those are due.
  const unnamed = { met: 0, due: 0 }
  for (const key of new Set([...answered.keys(), ...entries.keys()])) {
    const asked = answered.get(key) ?? []
    const counted = countOf(entries.get(key) ?? [])
    const inLastLife = asked.filter(({ life }) => life === lastLife).length
    const least = inLastLife + (asked.length > inLastLife ? 1 : 0)
    const mayBeUnnamed = /^(GET|HEAD) 503 /.test(key)
    if (mayBeUnnamed) {
      unnamed.met += Math.max(0, asked.length - counted)
      unnamed.due += Math.max(0, least - counted)
    }
    if ((counted < least && !mayBeUnnamed) || counted > sentTimes(asked) + unanswered) {
      faults.push(`${counted} refusals on record (${key}), the devices met ${asked.length}`)
    }
  }
  const unread = countOf(refused.filter(isUnread))
  if (unread < unnamed.due || unread > unnamed.met + unanswered) {
    faults.push(
      `${unread} connections that made room unread, the devices met ${unnamed.met} refusals of no other entry`,
    )
  }
  faults.push(...comparePipelined(requests, behindOthers))
  return faults
}

/** A connection that made room, or was let go, before its request was read: what it asked for stands on no record. */
function isUnread({ door, method, status }: FetchRecord): boolean {
  return door !== 'tftp' && method === null && status === 503
}

function countOf(records: readonly FetchRecord[]): number {
  return records.reduce((sum, { count }) => sum + count, 0)
}

function sentTimes(requests: readonly RequestTruth[]): number {
  return requests.reduce((sum, { asked }) => sum + asked, 0)
}

/** Those sent behind another request are counted together: like ones share an entry, whatever port they came from. */
function comparePipelined(requests: readonly RequestTruth[], behindOthers: readonly FetchRecord[]): string[] {
  const sent = requests.filter(({ pipelined }) => pipelined)
  const due = sent.filter(({ port }) => {
    const first = requests.find((each) => each.port === port && !each.pipelined)
    return first?.status === 200 && first.life === first.lifeAtEnd && first.received === first.promised
  })
  const counted = countOf(behindOthers)
  if (counted > sent.length)
    return [
      `${counted} refusals without a status (${behindOthers[0]?.reason}), ${sent.length} pipelined requests`,
    ]
  const killed = new Set(due.map(({ life }) => life)).size > 1
  if (counted < (killed ? Math.min(1, due.length) : due.length)) {
    return [`${counted} refusals of ${due.length} pipelined requests are on record`]
  }
  return []
}

function keyOf({ method, client }: FetchRecord): string {
  return `${method ?? READ_REQUEST} ${client.port}`
}

function wordsOfFetch({ range, status, ending, reason, bytesHandedOver, durationMs }: FetchRecord): string {
  const words = [range ?? 'whole', status, ending, `${bytesHandedOver} bytes`, `${durationMs} ms`, reason]
  return words.filter((word) => word !== null).join(', ')
}

export function whoIs(devices: readonly Device[]): string {
  const [first] = devices
  if (first === undefined) return 'nobody'
  const numbers = devices.map(({ number }) => number).join(', ')
  return `device ${numbers} at ${first.address} (${[...new Set(devices.map(({ behaviour }) => behaviour))].join('; ')})`
}

export function groupBy<T>(items: readonly T[], key: (item: T) => string): Map<string, T[]> {
  const groups = new Map<string, T[]>()
  for (const item of items) {
    const group = groups.get(key(item))
    if (group === undefined) groups.set(key(item), [item])
    else group.push(item)
  }
  return groups
}
