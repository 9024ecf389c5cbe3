/** Tells when the addresses of this machine change: a cable, a network joined, a lease renewed. */
import type { OwnAddress } from './addresses.ts'

const EVERY_MS = 5_000

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
  }, EVERY_MS)
  timer.unref()
  return { close: (): void => clearInterval(timer) }
}
