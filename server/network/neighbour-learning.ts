/** Hardware addresses learnt late: the neighbour table may know a new neighbour only after its first packets. */
import { addressFor, type OwnAddress } from './addresses.ts'
import type { Neighbours } from './neighbours.ts'

/** Returns what to call for an address whose hardware address is not known; `onLearnt` is told each once. */
export function createNeighbourLearning(deps: {
  readonly neighbours: Neighbours
  readonly own: () => readonly OwnAddress[]
  readonly onLearnt: (address: string, mac: string) => void
}): (address: string) => void {
  const { neighbours, own, onLearnt } = deps
  const learnt = new Map<string, string>()

  function look(address: string): void {
    const mac = neighbours.lookup(address)
    if (mac === undefined || learnt.get(address) === mac) return
    learnt.set(address, mac)
    onLearnt(address, mac)
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
