/** Gathering into lists by key, in the order in which things come. */

/** In place: a new list for each of 150,000 pulls of one client took more than four minutes. */
export function addTo<K, T>(lists: Map<K, T[]>, key: K, item: T): void {
  const there = lists.get(key)
  if (there === undefined) lists.set(key, [item])
  else there.push(item)
}

export function grouped<K, T>(items: Iterable<T>, keyOf: (item: T) => K): Map<K, T[]> {
  const lists = new Map<K, T[]>()
  for (const item of items) addTo(lists, keyOf(item), item)
  return lists
}
