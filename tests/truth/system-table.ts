/**
 * What the system knows of a simulated device's connection, from Linux's /proc/net/tcp (proc(5)). After a reset it
 * has forgotten it, after an end of stream in order it is in CLOSE-WAIT. Needed because Node 20 can report a reset
 * as the end of the stream: when data and reset arrive together, libuv reads the data and makes an end of the
 * hang-up that poll(2) shows beside it.
 */
import { existsSync, readFileSync } from 'node:fs'
import { endianness } from 'node:os'

const TABLE = '/proc/net/tcp'
const SHOWN = existsSync(TABLE)

export interface SystemView {
  /** Both ends have closed in order (RFC 9293 §3.3.2, TIME-WAIT): all that was sent has arrived. */
  readonly bothClosed: boolean
  /** Bytes that arrived and were not read; 0 once both have closed, whatever the program may still read. */
  readonly unread: number
}

/** include/net/tcp_states.h of the Linux kernel. */
const TIME_WAIT = '06'

/** One connection of a device; undefined when it is forgotten, or the system shows none. */
export function systemView(address: string, port: number): SystemView | undefined {
  if (!SHOWN) return undefined
  const bytes = Buffer.from(address.split('.').map(Number))
  // The kernel prints an address as one number in the machine's own byte order.
  if (endianness() === 'LE') bytes.reverse()
  const local = `: ${bytes.toString('hex')}:${port.toString(16).padStart(4, '0')} `.toUpperCase()
  const table = readFileSync(TABLE, 'latin1')
  const at = table.indexOf(local)
  if (at < 0) return undefined
  // remote address, state, then tx_queue:rx_queue
  const [, state, queues = ''] = table.slice(at + local.length, table.indexOf('\n', at)).split(' ')
  return { bothClosed: state === TIME_WAIT, unread: Number.parseInt(queues.split(':')[1] ?? '', 16) }
}
