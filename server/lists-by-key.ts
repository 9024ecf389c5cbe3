/** Gathering into lists by key, in the order in which things come. */

/** In place: a new list for each of 150,000 pulls of one client took more than four minutes. */
export function addTo<K, T>(lists: Map<K, T[]>, key: K, item: T): void {
  const there = lists.get(key)
  if (there === undefined) lists.set(key, [item])
  else there.push(item)
}

export type NonEmpty<T> = [T, ...T[]]

export function grouped<K, T>(items: Iterable<T>, keyOf: (item: T) => K): Map<K, NonEmpty<T>> {
  const lists = new Map<K, NonEmpty<T>>()
  for (const item of items) addTo(lists, keyOf(item), item)
  return lists
}

/** So many that have left are let go together. */
const LEFT_AT_MOST = 256

/**
 * A Map through which very many pass. Each table that a Map outgrows points to the next one, so one of them that has become
 * old keeps all later ones, with what they held, alive for the collector of young objects: of a million entries read back
 * that took most of the time. Here what left stays as an empty place for a while, and then the Map is another one.
 */
export function createPassing<K, V extends object | number>() {
  let all = new Map<K, V | undefined>()
  let present = 0
  return {
    get: (key: K): V | undefined => all.get(key),
    set(key: K, value: V): void {
      if (all.get(key) === undefined) present += 1
      all.set(key, value)
    },
    /** It leaves. */
    take(key: K): V | undefined {
      const value = all.get(key)
      if (value === undefined) return undefined
      all.set(key, undefined)
      present -= 1
      if (all.size - present > LEFT_AT_MOST + present)
        all = new Map([...all].filter(([, each]) => each !== undefined))
      return value
    },
    values: (): V[] => [...all.values()].filter((each) => each !== undefined),
  }
}
