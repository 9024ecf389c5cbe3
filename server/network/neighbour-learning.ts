/** Hardware addresses learnt late: the neighbour table may know a new neighbour only after its first packets. */
import { addressFor, type OwnAddress } from './addresses.ts'
import type { Neighbours } from './neighbours.ts'

/**
 * Returns what to call for an address that came without its hardware address. `onLearnt` is told where it is another
 * than the entries say (`known`): devices come to one network address one after another, and each tells its own.
 */
export function createNeighbourLearning(deps: {
  readonly neighbours: Neighbours
  readonly own: () => readonly OwnAddress[]
  readonly known: (address: string) => string | null
  readonly onLearnt: (address: string, mac: string) => void
}): (address: string) => void {
  const { neighbours, own, known, onLearnt } = deps

  function look(address: string): void {
    const mac = neighbours.lookup(address)
    if (mac !== undefined && mac !== known(address)) onLearnt(address, mac)
  }

  return (address) => {
    // Behind a router there is no neighbour to learn of, and on loopback none at all.
    if (addressFor(address, own())?.loopback !== false) return
    if (own().some((mine) => mine.address === address)) return
    // A missing tool means that it stays unknown.
    neighbours.refresh().then(
      () => look(address),
      () => undefined,
    )
  }
}
