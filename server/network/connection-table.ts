/**
 * The kernel's text tables of connections, /proc/net/tcp and tcp6 (kernel documentation, networking/proc_net_tcp;
 * Linux only): fixed columns, 150 bytes a connection. tx_queue is write_seq - snd_una: what was written and not
 * acknowledged, and our end of stream (FIN) counts one until it is acknowledged, in the states that wait for that
 * (RFC 9293 §3.3.2); it is taken off here, since it holds no byte of an image (held by a test with two local sockets:
 * what is stuck before a client that does not read is the same after `end()`). TIME_WAIT and FIN_WAIT2 are entered
 * only when our end of stream was acknowledged, and with it every byte before.
 *
 * Acknowledged means: held by the peer's system, not: read by its program.
 */
import { closeSync, openSync, readSync } from 'node:fs'
import { messageOf, systemCode } from '../errors.ts'

export interface SendQueue {
  /** Name of the state as in the kernel's tcp_states.h. */
  readonly state: string
  /** Bytes that were written and not acknowledged; our end of stream is not one of them. */
  readonly queued: number
}

/** Connections to look for, each by all its texts (`keysOf`). */
export type Wanted = readonly (readonly string[])[]

/** What one look at the tables found, by these texts. */
export interface Looked {
  readonly found: ReadonlyMap<string, SendQueue>
  /** Why a table could not be read: an absent connection may stand in that one. */
  readonly failure?: string | undefined
}

/** include/net/tcp_states.h of the Linux kernel, in the order of their numbers, from 1. */
const STATES =
  'ESTABLISHED SYN_SENT SYN_RECV FIN_WAIT1 FIN_WAIT2 TIME_WAIT CLOSE CLOSE_WAIT LAST_ACK LISTEN CLOSING NEW_SYN_RECV'.split(
    ' ',
  )
/** Those in which our end of stream has been sent and not acknowledged. */
const END_UNACKNOWLEDGED: ReadonlySet<string> = new Set(['FIN_WAIT1', 'CLOSING', 'LAST_ACK'])
export const TABLES = ['/proc/net/tcp', '/proc/net/tcp6'] as const
/** `0100007F:1F90 0100007F:D431` and the same with 32 digits of IPv6. */
const KEY_LENGTHS = { [TABLES[0]]: 27, [TABLES[1]]: 75 } as const

/**
 * The kernel walks all its buckets for either table, empty or not (1 to 5 ms at 262,144 of them), so the second is read
 * only for what the first does not list.
 */
export function lookAtTables(
  connections: Wanted,
  /** The lines of a table, some at a time. */
  readTable: (path: string) => Iterable<string>,
): Looked {
  const found = new Map<string, SendQueue>()
  let failure: string | undefined
  for (const path of TABLES) {
    const length = KEY_LENGTHS[path]
    const missing = connections.filter((keys) => !keys.some((key) => found.has(key)))
    const wanted = new Set(missing.flat().filter((key) => key.length === length))
    if (wanted.size === 0) continue
    try {
      for (const lines of readTable(path)) scan(lines, length, wanted, found)
    } catch (error) {
      // A system without IPv6 has no table for it, and no connection that would stand there.
      if (path === TABLES[1] && systemCode(error) === 'ENOENT') continue
      failure = `${path} could not be read (${messageOf(error)})`
    }
  }
  return { found, failure }
}

/**
 * Walks the lines without taking them apart: the two addresses stand in fixed places after the first colon, and
 * only lines whose addresses are wanted are read further.
 */
function scan(
  text: string,
  keyLength: number,
  wanted: ReadonlySet<string>,
  found: Map<string, SendQueue>,
): void {
  let start = 0
  while (start < text.length) {
    const end = text.indexOf('\n', start)
    const stop = end === -1 ? text.length : end
    const keyStart = text.indexOf(':', start) + 2
    if (keyStart >= 2 && keyStart + keyLength < stop) {
      const key = text.slice(keyStart, keyStart + keyLength)
      if (wanted.has(key)) {
        const [code = '', queues = ''] = text.slice(keyStart + keyLength + 1, stop).split(' ')
        const state = STATES[Number.parseInt(code, 16) - 1] ?? `state ${code}`
        const counted = Number.parseInt(queues.split(':')[0] ?? '', 16)
        const queued = END_UNACKNOWLEDGED.has(state) ? Math.max(0, counted - 1) : counted
        if (!Number.isNaN(queued)) found.set(key, { state, queued })
      }
    }
    start = stop + 1
  }
}

const piece = Buffer.allocUnsafe(64 * 1024)

/** Whole lines, at most about so many bytes; nothing of a long table is kept, since it would stay with the thread. */
export function* readTable(path: string, bytesAtMost = Number.POSITIVE_INFINITY): Generator<string> {
  const table = openSync(path, 'r')
  try {
    let kept = 0
    for (let total = 0; total < bytesAtMost; ) {
      const read = readSync(table, piece, kept, piece.length - kept, null)
      if (read === 0) break
      total += read
      const bytes = kept + read
      const whole = piece.lastIndexOf(0x0a, bytes - 1) + 1
      yield piece.toString('latin1', 0, whole)
      piece.copyWithin(0, whole, bytes)
      kept = bytes - whole
    }
    yield piece.toString('latin1', 0, kept)
  } finally {
    closeSync(table)
  }
}
