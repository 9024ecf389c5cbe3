/**
 * What the system still holds of a loopback connection, both ends, from Linux's /proc/net/tcp (proc(5)): bytes in
 * the server's send queue and in the client's receive queue. Elsewhere there is no such outside view.
 */
import { existsSync, readFileSync } from 'node:fs'
import { setTimeout as pause } from 'node:timers/promises'

export const QUEUES_SHOWN = existsSync('/proc/net/tcp')

interface Queues {
  readonly unsent: number
  readonly unread: number
}

export function queuesOf(serverPort: number, clientPort: number): Queues {
  const lines = readFileSync('/proc/net/tcp', 'utf8').split('\n').slice(1)
  let unsent = 0
  let unread = 0
  for (const line of lines) {
    const [, local = '', remote = '', , queues = ''] = line.trim().split(/\s+/)
    const [from, to] = [portOf(local), portOf(remote)]
    if (from === serverPort && to === clientPort) unsent = hex(queues.split(':')[0])
    if (from === clientPort && to === serverPort) unread = hex(queues.split(':')[1])
  }
  return { unsent, unread }
}

/**
 * Waits until the two queues hold at least that many bytes: what a sleeping client has not read has then left the
 * server's hands. (A byte under way counts in both or in the first only, never in none.)
 */
export async function untilHeldBySystem(
  serverPort: number,
  clientPort: number,
  bytes: number,
): Promise<void> {
  const deadline = Date.now() + 10_000
  for (;;) {
    const { unsent, unread } = queuesOf(serverPort, clientPort)
    if (unsent + unread >= bytes) return
    if (Date.now() > deadline) throw new Error(`the system holds ${unsent} + ${unread} of ${bytes} bytes`)
    await pause(20)
  }
}

/**
 * Whether the system has forgotten this client's connection, as it does after a reset; after an end of stream in
 * order it is still in CLOSE-WAIT. Needed because Node (20) can report a reset as the end of the stream: when data
 * and reset arrive together, libuv reads the data and makes an end of the hang-up that poll shows beside it.
 */
export function forgotten(serverPort: number, clientPort: number): boolean {
  const lines = readFileSync('/proc/net/tcp', 'utf8').split('\n').slice(1)
  return !lines.some((line) => {
    const [, local = '', remote = ''] = line.trim().split(/\s+/)
    return portOf(local) === clientPort && portOf(remote) === serverPort
  })
}

function portOf(address: string): number {
  return hex(address.split(':')[1])
}

function hex(digits: string | undefined): number {
  return Number.parseInt(digits ?? '0', 16)
}
