/** The addresses that this machine has at the moment, and when they change. */
import { networkInterfaces } from 'node:os'
import { type InterfaceTable, type OwnAddress, ownAddresses } from './addresses.ts'
import { type InterfaceFacts, readInterfaceFacts } from './interfaces.ts'

const MAX_AGE_MS = 1_000
const LOOK_EVERY_MS = 5_000

/**
 * Read anew at most once a second: they are asked for at every connection. An interface that is down or without carrier
 * is not listed by the system.
 */
export function createOwnAddresses({
  interfaces = networkInterfaces,
  factsOf = readInterfaceFacts,
  now = () => performance.now(),
}: {
  readonly interfaces?: () => InterfaceTable
  readonly factsOf?: (name: string) => InterfaceFacts
  readonly now?: () => number
} = {}): () => readonly OwnAddress[] {
  let last: readonly OwnAddress[] = []
  let readAt = Number.NEGATIVE_INFINITY
  return () => {
    if (now() - readAt >= MAX_AGE_MS) {
      try {
        last = Object.freeze(ownAddresses(interfaces(), factsOf))
      } catch (error) {
        // The system has no file left for the question (EMFILE), or no memory: what it said last stands until then.
        if (last.length === 0) throw error
      }
      readAt = now()
    }
    return last
  }
}

/** Tells when they change: a cable, a network joined, a lease renewed. */
export function watchAddresses(
  own: () => readonly OwnAddress[],
  onChanged: (now: readonly OwnAddress[]) => void,
) {
  const essence = (addresses: readonly OwnAddress[]): string =>
    JSON.stringify(addresses.map(({ address, interface: name, prefix }) => [address, name, prefix]))
  let known = essence(own())
  const timer = setInterval(() => {
    const now = own()
    if (essence(now) === known) return
    known = essence(now)
    onChanged(now)
  }, LOOK_EVERY_MS)
  timer.unref()
  return { close: (): void => clearInterval(timer) }
}
