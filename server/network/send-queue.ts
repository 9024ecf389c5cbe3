/**
 * How many bytes of a connection the peer's system has not yet acknowledged, from /proc/net/tcp and tcp6 (kernel
 * documentation, networking/proc_net_tcp; Linux only). tx_queue is write_seq - snd_una: what was written and not
 * acknowledged, and our end of stream (FIN) counts one until it is acknowledged, in the states that wait for that
 * (RFC 9293 §3.3.2); it is taken off here, since it holds no byte of an image (held by a test with two local sockets:
 * what is stuck before a client that does not read is the same after `end()`). TIME_WAIT and FIN_WAIT2 are entered
 * only when our end of stream was acknowledged, and with it every byte before.
 *
 * Acknowledged means: held by the peer's system, not: read by its program.
 *
 * The tables are text in fixed columns, 150 bytes a connection, produced anew at each reading; the kernel gives
 * about 4 KiB at a time, and a table that changes meanwhile may skip an entry. An absent entry therefore says
 * nothing: it may have been skipped, reset, or closed in order. Measured with 10,000 connections to this machine
 * itself (32,000 lines, 4.8 MB; two cores, busy): one question 210 to 260 ms, 10,000 at once 370 to 690 ms, of
 * which the kernel takes 95 to 155 ms; reading in one piece blocks as long as reading asynchronously takes.
 */
import { once } from 'node:events'
import { readFile as readFileFromDisk } from 'node:fs/promises'
import { type AddressInfo, connect, createServer, isIPv4, type Socket } from 'node:net'
import { endianness } from 'node:os'
import ipaddr from 'ipaddr.js'
import { systemCode } from '../errors.ts'
import { normalise } from './addresses.ts'

/** Seen from here. Addresses in any form that `normalise` takes. */
export interface Connection {
  readonly localAddress: string
  readonly localPort: number
  readonly remoteAddress: string
  readonly remotePort: number
}

export interface SendQueue {
  /** Name of the state as in the kernel's tcp_states.h. */
  readonly state: string
  /** Bytes that were written and not acknowledged; our end of stream is not one of them. */
  readonly queued: number
}

export type SendQueueAnswer =
  | ({ readonly kind: 'listed' } & SendQueue)
  /** The table was read, and the connection is not in it. */
  | { readonly kind: 'not listed' }
  /** There is no table, or it could not be read: that says nothing of the connection. */
  | { readonly kind: 'unreadable'; readonly why: string }

export interface SendQueues {
  /** False where the system shows no such table: every answer is then `unreadable`. */
  readonly supported: boolean
  /** Why it is not shown on a system that has it. */
  readonly whyNot?: string
  /** The state of a connection at some moment after this call. Never rejects. */
  ask(connection: Connection): Promise<SendQueueAnswer>
}

/** include/net/tcp_states.h of the Linux kernel. */
const STATES: Readonly<Record<string, string>> = {
  '01': 'ESTABLISHED',
  '02': 'SYN_SENT',
  '03': 'SYN_RECV',
  '04': 'FIN_WAIT1',
  '05': 'FIN_WAIT2',
  '06': 'TIME_WAIT',
  '07': 'CLOSE',
  '08': 'CLOSE_WAIT',
  '09': 'LAST_ACK',
  '0A': 'LISTEN',
  '0B': 'CLOSING',
  '0C': 'NEW_SYN_RECV',
}
/** Those in which our end of stream has been sent and not acknowledged. */
const END_UNACKNOWLEDGED: ReadonlySet<string> = new Set(['FIN_WAIT1', 'CLOSING', 'LAST_ACK'])
const FILES = ['/proc/net/tcp', '/proc/net/tcp6'] as const
/** `0100007F:1F90 0100007F:D431` and the same with 32 digits of IPv6. */
const KEY_LENGTHS = { [FILES[0]]: 27, [FILES[1]]: 75 } as const
const LITTLE_ENDIAN = endianness() === 'LE'
/** ::ffff:0:0/96 as the kernel prints it. */
const MAPPED = `0000000000000000${LITTLE_ENDIAN ? 'FFFF0000' : '0000FFFF'}`
/** Questions that come within this time share one reading. */
const GATHER_MS = 3

/** Answer about one connection from the text of /proc/net/tcp or tcp6; undefined when it is not listed. */
export function sendQueueOf(connection: Connection, text: string): SendQueue | undefined {
  for (const length of Object.values(KEY_LENGTHS)) {
    const wanted = new Set(keysOf(connection))
    const found = scan(text, length, wanted)
    for (const answer of found.values()) return answer
  }
  return undefined
}

export interface SendQueuesOptions {
  readonly platform?: NodeJS.Platform
  readonly readFile?: (path: string) => Promise<string>
  readonly gatherMs?: number
}

/** A table may skip an entry while it changes. */
const LOOKS_AT_OWN = 5

/**
 * Shown only where a connection of this program's own is found in the table: in some sandboxes it is empty, or cannot
 * be read, and every good pull would look like one whose connection was reset.
 */
export async function openSendQueues(options: SendQueuesOptions = {}): Promise<SendQueues> {
  const queues = createSendQueues(options)
  if (!queues.supported) return queues
  const whyNot = await whyOwnIsNotListed(queues)
  return whyNot === undefined ? queues : { ...notShown(whyNot), whyNot }
}

async function whyOwnIsNotListed(queues: SendQueues): Promise<string | undefined> {
  const server = createServer().listen(0, '127.0.0.1')
  const sockets: Socket[] = []
  try {
    await once(server, 'listening')
    const { port } = server.address() as AddressInfo
    const client = connect(port, '127.0.0.1')
    sockets.push(client)
    const [[serving]] = (await Promise.all([once(server, 'connection'), once(client, 'connect')])) as [
      [Socket],
      unknown,
    ]
    sockets.push(serving)
    const own = {
      localAddress: '127.0.0.1',
      localPort: port,
      remoteAddress: '127.0.0.1',
      remotePort: client.localPort ?? 0,
    }
    let answer = await queues.ask(own)
    for (let look = 1; look < LOOKS_AT_OWN && answer.kind !== 'listed'; look += 1)
      answer = await queues.ask(own)
    if (answer.kind === 'listed') return undefined
    return answer.kind === 'unreadable' ? answer.why : `${FILES[0]} does not list a connection that is open`
  } catch (error) {
    return `it could not be tried out over loopback (${systemCode(error) ?? String(error)})`
  } finally {
    for (const socket of sockets) socket.destroy()
    server.close()
  }
}

function notShown(why: string): SendQueues {
  return { supported: false, ask: () => Promise.resolve({ kind: 'unreadable', why }) }
}

/** Gathers the questions of a few milliseconds into one reading of the tables. */
export function createSendQueues(options: SendQueuesOptions = {}): SendQueues {
  const {
    platform = process.platform,
    readFile = (path) => readFileFromDisk(path, 'latin1'),
    gatherMs = GATHER_MS,
  } = options
  if (platform !== 'linux') return notShown('this system does not show send queues')

  let waiting: Question[] = []
  let busy = false
  let lastReadingMs = 0

  function schedule(): void {
    if (busy || waiting.length === 0) return
    busy = true
    setTimeout(
      () => {
        const questions = waiting
        waiting = []
        const begun = performance.now()
        // answerAll turns every failure into an answer, so that there is nothing to catch.
        void answerAll(questions, readFile).then(() => {
          lastReadingMs = performance.now() - begun
          busy = false
          schedule()
        })
        // A long table is not read without pause: at most half of the time goes into it.
      },
      Math.max(gatherMs, lastReadingMs),
    )
  }

  return {
    supported: true,
    ask(connection) {
      const keys = keysOf(connection)
      if (keys.length === 0) return Promise.resolve({ kind: 'unreadable', why: 'not an address' })
      return new Promise((resolve) => {
        waiting.push({ keys, resolve })
        schedule()
      })
    },
  }
}

interface Question {
  readonly keys: readonly string[]
  readonly resolve: (answer: SendQueueAnswer) => void
}

async function answerAll(
  questions: readonly Question[],
  readFile: (path: string) => Promise<string>,
): Promise<void> {
  const wanted = new Set(questions.flatMap(({ keys }) => keys))
  const found = new Map<string, SendQueue>()
  let failure: string | undefined
  for (const path of FILES) {
    const length = KEY_LENGTHS[path]
    if (![...wanted].some((key) => key.length === length)) continue
    try {
      for (const [key, answer] of scan(await readFile(path), length, wanted)) found.set(key, answer)
    } catch (error) {
      // A system without IPv6 has no table for it, and no connection that would stand there.
      if (path === FILES[1] && systemCode(error) === 'ENOENT') continue
      failure = `${path} could not be read (${error instanceof Error ? error.message : String(error)})`
    }
  }
  for (const { keys, resolve } of questions) {
    const answer = keys.map((key) => found.get(key)).find((one) => one !== undefined)
    if (answer !== undefined) resolve({ kind: 'listed', ...answer })
    else resolve(failure === undefined ? { kind: 'not listed' } : { kind: 'unreadable', why: failure })
  }
}

/**
 * Walks the lines without taking them apart: the two addresses stand in fixed places after the first colon, and
 * only lines whose addresses are wanted are read further.
 */
function scan(text: string, keyLength: number, wanted: ReadonlySet<string>): Map<string, SendQueue> {
  const found = new Map<string, SendQueue>()
  let start = 0
  while (start < text.length) {
    const end = text.indexOf('\n', start)
    const stop = end === -1 ? text.length : end
    const keyStart = text.indexOf(':', start) + 2
    if (keyStart >= 2 && keyStart + keyLength < stop) {
      const key = text.slice(keyStart, keyStart + keyLength)
      if (wanted.has(key)) {
        const [code = '', queues = ''] = text.slice(keyStart + keyLength + 1, stop).split(' ')
        const state = STATES[code] ?? `state ${code}`
        const counted = Number.parseInt(queues.split(':')[0] ?? '', 16)
        const queued = END_UNACKNOWLEDGED.has(state) ? Math.max(0, counted - 1) : counted
        if (!Number.isNaN(queued)) found.set(key, { state, queued })
      }
    }
    start = stop + 1
  }
  return found
}

/** A connection's texts: an IPv4 one stands in tcp, or mapped in tcp6 when the listener was an IPv6 one. */
function keysOf(connection: Connection): string[] {
  const local = hexAddress(connection.localAddress)
  const remote = hexAddress(connection.remoteAddress)
  if (local === undefined || remote === undefined) return []
  const localPort = hexPort(connection.localPort)
  const remotePort = hexPort(connection.remotePort)
  const key = `${local}:${localPort} ${remote}:${remotePort}`
  const bothIPv4 = local.length === 8 && remote.length === 8
  return bothIPv4 ? [key, `${MAPPED}${local}:${localPort} ${MAPPED}${remote}:${remotePort}`] : [key]
}

/**
 * The kernel prints each 32 bits of an address as one number in the machine's own byte order. IPv4 is taken
 * apart here, since parsing it in general took longer than reading the table (1,000 questions at once).
 */
function hexAddress(text: string): string | undefined {
  const address = isIPv4(text) ? text : normalise(text)
  if (address === undefined) return undefined
  const octets = address.includes(':') ? ipaddr.parse(address).toByteArray() : address.split('.').map(Number)
  const bytes = Buffer.from(octets)
  if (LITTLE_ENDIAN) bytes.swap32()
  return bytes.toString('hex').toUpperCase()
}

function hexPort(port: number): string {
  return port.toString(16).toUpperCase().padStart(4, '0')
}
