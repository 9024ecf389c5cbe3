/** What is said about one hex string of a text, and about the whole text. */

export interface MatchFinding {
  /** `none`: no image has it. */
  readonly outcome: 'match' | 'cut short' | 'mistyped' | 'none'
  /** Lower-case hex, as far as it was found. */
  readonly value: string
  /** From 1: where it stands first. */
  readonly line: number
  /** Null when it is none of any image here. */
  readonly algorithm: string | null
  /** Name of the image (of the first, when copies share the bytes); null when there is none. */
  readonly image: string | null
  /** The digest that it nearly is. */
  readonly nearest: { readonly algorithm: string; readonly image: string; readonly value: string } | null
  /** Counts for the verdict on the text: false for what is probably no digest at all. */
  readonly counts: boolean
  /** The finding in words. */
  readonly words: string
}

export interface Matched {
  /** At least one match, and nothing beside it that counts and is none. */
  readonly matched: boolean
  /** What it comes to, in a sentence: shown before anything else. */
  readonly words: string
  /** In the order of the text, each value once. */
  readonly findings: readonly MatchFinding[]
  /** Findings beyond the first 500. */
  readonly more: number
  /** Images whose digests are not known (yet); nothing was compared with them. */
  readonly notCompared: readonly string[]
}

/** A finding with its place in the text as an offset. */
export type FindingAt = Omit<MatchFinding, 'line'> & { readonly at: number }
