/**
 * A simulated device and its own truth: which bytes of which version it holds, compared with the real file as they
 * come, and how each of its requests ended. It trusts an answer's tag only for naming the version; the bytes decide.
 */
import { setTimeout as pause } from 'node:timers/promises'
import { type Answer, type DeviceConnection, type End, openConnection } from './connection.ts'
import type { Random } from './random.ts'
import type { Site } from './site.ts'
import { type Held, heldFromStart, holdsAll, joined } from './spans.ts'
import { systemView } from './system-table.ts'
import { openTftpReader, type ReadEnd, type TftpOptions, type TftpReader, type Wish } from './tftp-reader.ts'

/** How a device left a connection; by TFTP `in order` is an acknowledgement of the last block, `reset` an ERROR. */
export type Leaving =
  | 'in order'
  | 'unread'
  | 'reset'
  | 'half-closed, then reset'
  | 'vanished'
  | 'lost'
  | 'kept'

/** One request, as the device that sent it saw it. */
export interface RequestTruth {
  readonly device: number
  readonly address: string
  readonly port: number
  readonly method: string
  readonly target: string
  readonly range: string | undefined
  /** How often it was sent; by TFTP again when no answer comes. */
  asked: number
  /** Sent behind another one on the same connection: never to be served. */
  readonly pipelined: boolean
  /** The server's life when it was sent and when it ended: a kill lies between when they differ. */
  readonly life: number
  lifeAtEnd: number
  status: number | undefined
  /** SHA-256 of the version that the answer named. */
  version: string | undefined
  first: number
  promised: number
  received: number
  /** A body byte that is not the version's, or an answer that makes no sense. */
  foreign: string | undefined
  /** The server ended its stream although bytes were missing. */
  shortInOrder: boolean
  halfClosedFirst: boolean
  /** Whether it held all bytes before the one that it resumed at when it asked, of the version that the answer names. */
  resumedHonestly: boolean
  /** From its last byte to its end of the connection, ms. */
  closingMs: number
  /** Bytes that its system had taken, and its program never read, when it reset after closing its side in order. */
  inSystem: number
  leaving: Leaving | undefined
  /** What the device, its system included, held of this version when the request had ended. */
  heldAfter: readonly Held[]
  /** By performance.now(). */
  readonly begunAt: number
  endedAt: number
}

export interface GetOptions {
  readonly method?: 'GET' | 'HEAD'
  readonly range?: string
  /** Stops reading once it has this many bytes of the body. */
  readonly upTo?: number
  /** Called with what was received so far before more is read. */
  readonly pace?: (received: number) => Promise<void> | void
  /** What it does when it has what it wants. `in order` waits for the server's end now and then. */
  readonly leaving?: Exclude<Leaving, 'lost'>
  /** Time between the last byte and its close: a device that writes flash first. */
  readonly closeAfterMs?: number
  readonly halfCloseFirst?: boolean
  /** Goes on over a connection that was kept. */
  readonly over?: DeviceConnection
  /** Sends this target in the same packet. */
  readonly pipelined?: string
  readonly readBytes?: number
  /** Another image than its own. */
  readonly image?: string
}

/** What stands for the method of a read by TFTP, whose records have none. */
export const READ_REQUEST = 'RRQ'

export interface TftpGetOptions {
  readonly options?: TftpOptions
  readonly slash?: boolean
  /** How many bytes it takes before it leaves so. */
  readonly upTo?: number
  readonly leaving?: Exclude<Wish, 'on'>
  /** Refuses the options that it was granted. */
  readonly onlyAsks?: boolean
  readonly keepsLastBack?: boolean
  readonly loses?: number
  readonly pace?: (received: number) => Promise<void> | void
}

export interface Device {
  readonly number: number
  readonly address: string
  readonly behaviour: string
  readonly random: Random
  /** What it asks for unless told otherwise. */
  readonly image: string
  /** What the visit sheet plans for it. */
  readonly planned: string
  readonly requests: readonly RequestTruth[]
  /** Every version that it ever held whole. */
  readonly heldWhole: ReadonlySet<string>
  /** The version that it took whole last: what it runs, since a device keeps its image until it has another one whole. */
  lastWhole(): string | undefined
  /** One request; undefined when there was nobody to ask. */
  get(options?: GetOptions): Promise<RequestTruth | undefined>
  /** One read by TFTP, always from byte 0. */
  getByTftp(options?: TftpGetOptions): Promise<RequestTruth>
  /** The connection of the latest request that was left `kept`. */
  kept(): DeviceConnection | undefined
  /** What it holds of a version. */
  held(version: string | undefined): readonly Held[]
  /** The version of which it holds the most from the start, and how much that is. */
  resumable(): { version: string; upTo: number } | undefined
  /** Starts over with an empty file. */
  forget(): void
}

export function createDevice(
  site: Site,
  who: {
    readonly number: number
    readonly address: string
    readonly behaviour: string
    readonly image: string
    readonly planned: string
    readonly random: Random
    /** Ports that were used behind this address, TCP's as numbers and UDP's with a `u`. */
    readonly portsUsed: Set<number | string>
  },
): Device {
  const { number, address, random, image, portsUsed } = who
  const file = new Map<string, readonly Held[]>()
  const heldWhole = new Set<string>()
  let lastWhole: string | undefined
  const requests: RequestTruth[] = []
  let keptConnection: DeviceConnection | undefined

  function keep(version: string, span: Held): void {
    const spans = joined([...(file.get(version) ?? []), span])
    file.set(version, spans)
    const known = site.images.version(version)
    if (known === undefined || !holdsAll(spans, known.bytes)) return
    heldWhole.add(version)
    lastWhole = version
  }

  /** A port that was not used behind this address, so that (address, port) names one connection for ever. */
  async function connection(readBytes: number): Promise<DeviceConnection | undefined> {
    for (;;) {
      try {
        const opened = await openConnection({ port: site.port, localAddress: address, readBytes })
        if (!portsUsed.has(opened.port)) {
          portsUsed.add(opened.port)
          return opened
        }
        opened.close()
      } catch {
        return undefined
      }
    }
  }

  async function tftpReader(): Promise<TftpReader> {
    for (;;) {
      const opened = await openTftpReader(site.tftpPort, address)
      if (!portsUsed.has(`u${opened.port}`)) {
        portsUsed.add(`u${opened.port}`)
        return opened
      }
      opened.close()
    }
  }

  function note(
    over: Pick<DeviceConnection, 'port'>,
    method: string,
    target: string,
    more: Partial<RequestTruth>,
  ): RequestTruth {
    const truth: RequestTruth = {
      ...unanswered({ device: number, address, port: over.port, method, target }, site.life()),
      begunAt: performance.now(),
      ...more,
    }
    requests.push(truth)
    return truth
  }

  async function get(options: GetOptions = {}): Promise<RequestTruth | undefined> {
    const { method = 'GET', range } = options
    const over = options.over ?? (await connection(options.readBytes ?? 64 * 1024))
    if (over === undefined) return undefined
    keptConnection = undefined
    const target = `/${options.image ?? image}`
    const truth = note(over, method, target, { range, halfClosedFirst: options.halfCloseFirst ?? false })
    if (options.pipelined !== undefined) note(over, 'GET', options.pipelined, { pipelined: true })
    const heldBefore = new Map(file)
    over.send(
      requestText(number, method, target, range) +
        (options.pipelined === undefined ? '' : requestText(number, 'GET', options.pipelined, undefined)),
    )
    if (options.halfCloseFirst === true) await over.halfClose()
    const end = await readAnswer(over, truth, { ...options, heldBefore })
    const readAt = performance.now()
    await leave(over, truth, end, options)
    truth.closingMs = Math.round(performance.now() - readAt)
    truth.lifeAtEnd = site.life()
    truth.endedAt = performance.now()
    truth.heldAfter = joined([
      ...(truth.version === undefined ? [] : (file.get(truth.version) ?? [])),
      // Also when it started over meanwhile, because of the answer to a segment beside this one.
      { first: truth.first, end: truth.first + truth.received + truth.inSystem },
    ])
    return truth
  }

  /** Nothing names the version but its bytes and, where it was asked for, their number. */
  async function getByTftp(options: TftpGetOptions = {}): Promise<RequestTruth> {
    const reader = await tftpReader()
    const truth = note(reader, READ_REQUEST, `${options.slash === false ? '' : '/'}${image}`, { asked: 0 })
    let fitting = site.images.versionsOf(image).map((known) => ({ known, next: known.from(0) }))
    const end = await reader.read({
      name: truth.target,
      options: options.options ?? {},
      keepsLastBack: options.keepsLastBack ?? false,
      dallies: options.loses !== undefined || random.chance(0.5),
      isLost: () => random.chance(options.loses ?? 0),
      // Another life of the server would take a request that comes again for another one.
      isPatient: (tries) => tries < TFTP_TRIES && site.life() === truth.life,
      onAsked() {
        truth.asked += 1
      },
      onGranted({ tsize }) {
        if (tsize !== undefined) fitting = fitting.filter(({ known }) => String(known.bytes) === tsize)
        return options.onlyAsks === true ? 'error' : 'on'
      },
      async onBlock(bytes) {
        if (truth.received === 0) file.clear()
        fitting = fitting.filter(({ next }) => next(bytes.length).equals(bytes))
        if (fitting.length === 0) truth.foreign ??= `bytes from ${truth.received} on are of no version`
        truth.received += bytes.length
        await options.pace?.(truth.received)
        return truth.received >= (options.upTo ?? Number.POSITIVE_INFINITY)
          ? (options.leaving ?? 'error')
          : 'on'
      },
    })
    judgeRead(truth, end, fitting, options)
    if (truth.leaving === 'vanished') site.leaveBehind({ close: () => endReading(reader) })
    else {
      // Nobody waits for it any more: a server that lives is told so.
      if (truth.leaving === 'lost') reader.giveUp()
      reader.close()
    }
    return truth
  }

  function judgeRead(
    truth: RequestTruth,
    end: ReadEnd,
    fitting: readonly { readonly known: { readonly sha256: string; readonly bytes: number } }[],
    { leaving = 'error' }: TftpGetOptions,
  ): void {
    const whole = fitting.filter(({ known }) => known.bytes === truth.received)
    const [one, other] = (end.kind === 'whole' ? whole : fitting).map(({ known }) => known)
    if (end.kind === 'whole' && one === undefined) truth.foreign ??= `${truth.received} bytes are no version`
    if (end.kind === 'refused') truth.status = end.code
    if (one !== undefined && other === undefined && truth.received > 0) {
      truth.version = one.sha256
      truth.promised = one.bytes
      keep(one.sha256, { first: 0, end: truth.received })
    }
    if (end.kind === 'whole') truth.leaving = end.acknowledged ? 'in order' : 'vanished'
    else if (end.kind === 'left') truth.leaving = leaving === 'gone' ? 'vanished' : 'reset'
    else truth.leaving = 'lost'
    truth.lifeAtEnd = site.life()
    truth.endedAt = performance.now()
    truth.heldAfter = joined([{ first: 0, end: truth.received }])
  }

  async function readAnswer(
    over: DeviceConnection,
    truth: RequestTruth,
    { heldBefore, ...options }: GetOptions & { readonly heldBefore: ReadonlyMap<string, readonly Held[]> },
  ): Promise<End | undefined> {
    const answer = await over.head(truth.method)
    if (typeof answer === 'string') return answer
    truth.status = answer.status
    // Of a part that is refused a sentence comes, which a client that looks at the status does not store.
    if (answer.bodyBytes === 0 || answer.status === 412) return undefined
    understand(answer, truth)
    truth.resumedHonestly = heldFromStart(heldBefore.get(truth.version ?? '') ?? []) >= truth.first
    if (answer.status === 200) file.clear()
    return readBody(over, truth, options)
  }

  async function readBody(
    over: DeviceConnection,
    truth: RequestTruth,
    { upTo = Number.POSITIVE_INFINITY, pace }: GetOptions,
  ): Promise<End | undefined> {
    const expected = site.images.version(truth.version ?? '')?.from(truth.first)
    const take = (bytes: Buffer): void => {
      const at = truth.first + truth.received
      if (expected?.(bytes.length).equals(bytes) !== true) {
        truth.foreign ??= `bytes from ${at} on are not those of version ${truth.version}`
      }
      truth.received += bytes.length
      if (truth.version !== undefined) keep(truth.version, { first: at, end: at + bytes.length })
    }
    while (truth.received < truth.promised && truth.received < upTo) {
      await pace?.(truth.received)
      const bytes = await over.body(truth.promised - truth.received)
      if (typeof bytes === 'string') return bytes
      take(bytes)
    }
    const more = over.inHand()
    if (more.length > truth.promised - truth.received) truth.foreign ??= 'more bytes than were promised'
    else if (more.length > 0) take(more)
    return undefined
  }

  /** Of what was promised, what its system holds and its program has not read, after it closed its side. */
  function arrivedUnread(over: DeviceConnection, truth: RequestTruth): number {
    const missing = truth.promised - truth.received
    const view = systemView(address, over.port)
    // Forgotten soon after both ends have closed in order.
    return view === undefined || view.bothClosed ? missing : Math.min(missing, view.unread)
  }

  async function leave(
    over: DeviceConnection,
    truth: RequestTruth,
    end: End | undefined,
    { leaving = 'in order', closeAfterMs }: GetOptions,
  ): Promise<void> {
    const whole = truth.received === truth.promised
    if (end !== undefined) {
      const short = end === 'end of stream' && truth.status !== undefined && !whole
      truth.shortInOrder = short && systemView(address, over.port) !== undefined
      truth.leaving = 'lost'
      return over.close()
    }
    truth.leaving = leaving
    // close(2) is in order exactly when nothing is left unread.
    if (leaving === 'in order' || leaving === 'unread') truth.leaving = whole ? 'in order' : 'unread'
    switch (truth.leaving) {
      case 'kept':
        keptConnection = over
        return
      case 'vanished':
        return site.leaveBehind(over)
      case 'reset':
        return over.reset()
      case 'half-closed, then reset':
        await over.halfClose()
        await pause(random.whole(0, 30))
        truth.inSystem = arrivedUnread(over, truth)
        return over.reset()
      case 'unread':
        return over.close()
      default:
        if (closeAfterMs !== undefined) await pause(closeAfterMs)
        // Some clients wait for the server's end, others close when the promised length has come.
        if (random.chance(0.5) && (await over.untilEnd()) === 'lost') truth.leaving = 'lost'
        return over.close()
    }
  }

  return {
    ...who,
    requests,
    heldWhole,
    lastWhole: () => lastWhole,
    get,
    getByTftp,
    kept: () => keptConnection,
    held: (version) => (version === undefined ? [] : (file.get(version) ?? [])),
    resumable() {
      let best: { version: string; upTo: number } | undefined
      for (const [version, spans] of file) {
        const upTo = heldFromStart(spans)
        if (upTo > (best?.upTo ?? 0)) best = { version, upTo }
      }
      return best
    },
    forget: () => file.clear(),
  }
}

const TFTP_TRIES = 8

/** Said at last, so that nothing is under way when the visit ends. */
function endReading(reader: TftpReader): void {
  reader.giveUp()
  reader.close()
}

/** RFC 9110 §8.8.3 (tag) and §14.4 (Content-Range), as far as the device needs them. */
function understand({ status, fields, bodyBytes }: Answer, truth: RequestTruth): void {
  truth.version = /^"([0-9a-f]{64})"$/.exec(fields.get('etag') ?? '')?.[1]
  truth.promised = bodyBytes
  if (status === 200) return
  const [, first, last] = /^bytes (\d+)-(\d+)\/\d+$/.exec(fields.get('content-range') ?? '') ?? []
  truth.first = Number(first)
  if (status !== 206 || Number(last) - Number(first) + 1 !== bodyBytes) {
    truth.foreign = `status ${status} with Content-Range ${fields.get('content-range')} and ${bodyBytes} bytes`
  }
}

export function userAgentOf(device: number): string {
  return `truth-device/${device}`
}

function requestText(device: number, method: string, target: string, range: string | undefined): string {
  return [
    `${method} ${target} HTTP/1.1`,
    'Host: 127.0.0.1',
    `User-Agent: ${userAgentOf(device)}`,
    ...(range === undefined ? [] : [`Range: ${range}`]),
    '',
    '',
  ].join('\r\n')
}

/** A request as it is before anything came of it, in that life of the program. */
export function unanswered(
  asked: Pick<RequestTruth, 'device' | 'address' | 'port' | 'method' | 'target'>,
  life: number,
): RequestTruth {
  return {
    ...asked,
    range: undefined,
    asked: 1,
    pipelined: false,
    life,
    lifeAtEnd: life,
    status: undefined,
    version: undefined,
    first: 0,
    promised: 0,
    received: 0,
    foreign: undefined,
    shortInOrder: false,
    halfClosedFirst: false,
    resumedHonestly: false,
    closingMs: 0,
    inSystem: 0,
    leaving: undefined,
    heldAfter: [],
    begunAt: 0,
    endedAt: 0,
  }
}
