/** The nearest known path to one that was asked for in vain: for a person's eyes, so bounded in cost. */

/** More differences than this are another name, not a mistyped one. */
const MOST_DIFFERENCES = 6
/** Longest text compared; no plain path is longer. */
const TEXT_CHARACTERS = 255
/** Candidates that are compared letter by letter; the others are told apart by their letters alone. */
const COMPARED = 200

interface Candidate {
  readonly text: string
  readonly folded: string
  readonly letters: number
}

export function createNearestNames() {
  const candidates = new Map<string, Candidate>()
  return {
    set(key: string, text: string): void {
      const folded = text.toLowerCase()
      candidates.set(key, { text, folded, letters: letterSet(folded) })
    },
    delete: (key: string): void => void candidates.delete(key),
    find(asked: string): string | undefined {
      if (asked.length > TEXT_CHARACTERS) return undefined
      const folded = asked.toLowerCase()
      const most = Math.min(MOST_DIFFERENCES, Math.max(2, Math.floor(folded.length / 3)))
      return nearest(alike(candidates.values(), folded, most), folded, most)
    },
  }
}

/** Those whose length and set of letters allow at most `most` differences, the most alike at both ends first. */
function alike(candidates: Iterable<Candidate>, folded: string, most: number): Candidate[] {
  const letters = letterSet(folded)
  const byMiddle: Candidate[][] = Array.from({ length: TEXT_CHARACTERS + 1 }, () => [])
  for (const candidate of candidates) {
    if (Math.abs(candidate.folded.length - folded.length) > most) continue
    if (countBits(candidate.letters ^ letters) > 2 * most) continue
    byMiddle[unlikeMiddle(candidate.folded, folded)]?.push(candidate)
  }
  return byMiddle.flat().slice(0, COMPARED)
}

/** Characters of the longer text that are neither in the common beginning nor in the common end. */
function unlikeMiddle(a: string, b: string): number {
  const shorter = Math.min(a.length, b.length)
  let front = 0
  while (front < shorter && a.charCodeAt(front) === b.charCodeAt(front)) front += 1
  let back = 0
  const rest = shorter - front
  while (back < rest && a.charCodeAt(a.length - 1 - back) === b.charCodeAt(b.length - 1 - back)) back += 1
  return Math.max(a.length, b.length) - front - back
}

function nearest(candidates: readonly Candidate[], folded: string, most: number): string | undefined {
  let found: string | undefined
  let fewest = most + 1
  for (const candidate of candidates) {
    const count = differences(candidate.folded, folded, fewest)
    if (count >= fewest) continue
    fewest = count
    found = candidate.text
  }
  return found
}

function letterSet(text: string): number {
  let set = 0
  for (let at = 0; at < text.length; at += 1) set |= 1 << (text.charCodeAt(at) % 32)
  return set
}

function countBits(word: number): number {
  let bits = 0
  for (let rest = word >>> 0; rest !== 0; rest &= rest - 1) bits += 1
  return bits
}

/** Insertions, deletions, replacements and swapped neighbours; `limit` or more counts as `limit`. */
export function differences(a: string, b: string, limit: number): number {
  let before: number[] = []
  let last = Array.from({ length: b.length + 1 }, (_, at) => at)
  for (let i = 1; i <= a.length; i += 1) {
    const row = [i]
    let fewest = i
    for (let j = 1; j <= b.length; j += 1) {
      const same = a[i - 1] === b[j - 1]
      let count = Math.min(at(last, j) + 1, at(row, j - 1) + 1, at(last, j - 1) + (same ? 0 : 1))
      if (i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1]) {
        count = Math.min(count, at(before, j - 2) + 1)
      }
      row.push(count)
      fewest = Math.min(fewest, count)
    }
    if (fewest >= limit) return limit
    before = last
    last = row
  }
  return Math.min(limit, at(last, b.length))
}

function at(row: readonly number[], index: number): number {
  return row[index] ?? Number.POSITIVE_INFINITY
}
