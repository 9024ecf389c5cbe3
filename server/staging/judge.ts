/** What the catalogue asks of whoever judges an image: published checksums and format. */
import type { Format, HoldReason, Published } from '../ledger/entries.ts'
import type { Version } from './image.ts'

export interface Judgement {
  readonly published: Published
  readonly format: Format
  readonly notes: readonly string[]
  /** Why it must not be served until a person lifts it; empty: nothing speaks against it. */
  readonly holds: readonly HoldReason[]
  /** The published checksum matches or the format is sound: the copy is surely whole. */
  readonly sure: boolean
}

export interface JudgeInput {
  readonly name: string
  /** Absolute path. */
  readonly file: string
  readonly version: Version
  /** Lower-case hex; computed first of all where it is not known yet. */
  readonly digest: (algorithm: string) => Promise<string>
  /**
   * The judgement of these same bytes under this name, where there is one: its `format` holds still, so that an
   * unchanged file need not be opened; published checksums may have changed since.
   */
  readonly earlier?: Judgement
}

export interface Judge {
  /** Called when the digest is known, and again when checksum files changed. */
  judge(input: JudgeInput): Promise<Judgement>
  /** True for files that carry published checksums by their names; they are no images. */
  isChecksumFile(name: string): boolean
  /**
   * Such a file, or a text of any other name, appeared, changed or went; afterwards every image is judged again, unless it
   * says false: the text says nothing of any file, and did not before.
   */
  checksumFileChanged(name: string, gone: boolean): unknown
}

export const NO_STANDING: Published = Object.freeze({ standing: 'none' })
export const NO_FORMAT: Format = Object.freeze({ kind: 'unknown', verdict: 'unknown' })
