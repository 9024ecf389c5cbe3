/**
 * Between the catalogue and the ledger: what became known of images is written down, and what a person decides
 * about them (a lift, a pasted checksum) is written down before it counts.
 */
import { userInfo } from 'node:os'
import { FetchproofError } from '../errors.ts'
import type { NewEntry, NewEntryOf } from '../ledger/entries.ts'
import type { Strikeable, Strikes } from '../ledger/strikes.ts'
import { type Image, isJudged } from '../staging/image.ts'
import type { ImageHistory } from '../staging/image-history.ts'
import { stateWords } from '../staging/image-words.ts'
import { type Claim, compared } from '../trust/published/comparison.ts'
import { pastedFor } from '../trust/published/pasted.ts'
import { claimsOnRecord, type JudgedCatalogue } from './judged-catalogue.ts'

export type ImageRecords = ReturnType<typeof createImageRecords>

interface ImageRecordsDeps {
  readonly judged: JudgedCatalogue
  readonly history: ImageHistory
  readonly strikes: Strikes
  /** For what must be recorded but cannot be refused to anybody. */
  readonly record: (entry: NewEntry) => void
  /** For what is refused when it cannot be recorded: throws the ledger's errors. */
  readonly append: (entry: Extract<NewEntry, { kind: 'held' | 'lifted' | 'published' | 'struck' }>) => void
  /** Shown in errors. */
  readonly folder: string
}

export function createImageRecords({ judged, history, strikes, record, append, folder }: ImageRecordsDeps) {
  // Long: a list of what persons decide about images, each written before it counts.
  const { catalogue } = judged

  function recordImage(image: Image): void {
    for (const entry of history.entriesFor(image)) record(entry)
  }

  function recordAll(): void {
    for (const image of catalogue.images()) if (isJudged(image)) recordImage(image)
  }

  catalogue.events.on('judged', recordImage)
  catalogue.events.on('gone', ({ name }) => {
    const sha256 = history.onRecord(name)
    if (sha256 !== undefined) record({ kind: 'image-gone', name, sha256 })
  })

  function present(name: string): Image {
    const image = catalogue.get(name)
    if (image !== undefined) return image
    throw new FetchproofError('FP_IMAGE_UNKNOWN', { image: name, folder, hint: '' })
  }

  /** What stands in the text and is of something else is not put on record; an image without digests takes it all. */
  async function withoutOthers(name: string, claims: readonly Claim[]): Promise<readonly Claim[]> {
    if (catalogue.get(name)?.version === undefined) return claims
    const { others } = await compared(claims, (algorithm) => catalogue.digest(name, algorithm))
    return claims.filter((claim) => !others.includes(claim))
  }

  return {
    /** Writes what the ledger does not say yet of the images as they stand: when it has room again. */
    recordAll,
    /** A person withdraws an image's present version; what is under way is reset. Throws FP_IMAGE_UNKNOWN, FP_IMAGE_UNREAD. */
    hold(name: string, reason: string, by: string = userName()): void {
      append({ kind: 'held', name, sha256: versionOf(present(name)), reason, by })
      catalogue.decided(name)
    },
    /** A person lifts what holds an image's present version. Throws FP_IMAGE_UNKNOWN, FP_IMAGE_UNREAD, FP_NOT_HELD. */
    lift(name: string, reason: string, by: string = userName()): void {
      append({ ...liftOf(present(name)), reason, by })
      catalogue.decided(name)
    },
    /** Takes a published checksum that a person pasted. Throws FP_IMAGE_UNKNOWN, FP_NO_DIGEST, FP_DIGEST_OF_OTHERS. */
    async paste(name: string, text: string, by: string = userName()): Promise<void> {
      present(name)
      const { claims: stated, about, notRead } = pastedFor(name, text, by)
      if (about.length > 0)
        throw new FetchproofError('FP_DIGEST_OF_OTHERS', { image: name, files: listed(about) })
      if (stated.length === 0) throw new FetchproofError('FP_NO_DIGEST', { why: notRead.join(' ') })
      const claims = await withoutOthers(name, stated)
      for (const [index, { algorithm, digest }] of claims.entries()) {
        const also = index > 0 && { also: true as const }
        append({ kind: 'published', name, algorithm, digest, by, ...also })
      }
      judged.paste(name, claims)
      await catalogue.rejudge(name)
    },
    /** A person takes back what was recorded by mistake. Throws FP_NOT_STRIKEABLE. */
    async strike(seq: number, reason: string, by: string = userName()): Promise<Strikeable> {
      const entry = strikes.check(seq)
      append({ kind: 'struck', strikes: seq, reason, by })
      if (entry.kind === 'lifted') catalogue.decided(entry.name)
      if (entry.kind === 'published') {
        const left = history.pasted().find(({ name }) => name === entry.name)
        judged.paste(entry.name, left === undefined ? [] : claimsOnRecord(left.digests, left.by))
        await catalogue.rejudge(entry.name)
      }
      return entry
    },
  }
}

/** Who is logged in, for what a person did. */
export function userName(): string {
  try {
    return userInfo().username
  } catch {
    return 'unknown'
  }
}

function listed(names: readonly string[]): string {
  const shown = names.slice(0, 4).join(', ')
  return names.length > 4 ? `${shown} and ${names.length - 4} more` : shown
}

/** Throws FP_IMAGE_UNREAD. */
export function versionOf({ name, state, version }: Image): string {
  if (version === undefined)
    throw new FetchproofError('FP_IMAGE_UNREAD', { image: name, state: stateWords(state) })
  return version.sha256
}

/** What a lift of this image's hold says, but for who lifts it and why. Throws FP_IMAGE_UNREAD, FP_NOT_HELD. */
export function liftOf(image: Image): Omit<NewEntryOf<'lifted'>, 'reason' | 'by'> {
  const { name, version, hold } = image
  if (version === undefined || hold === undefined) throw notHeld(image)
  return { kind: 'lifted', name, sha256: version.sha256, reasons: [...hold.reasons] }
}

/** What is still copied or read may be held in a moment: FP_IMAGE_UNREAD, else FP_NOT_HELD. */
export function notHeld({ name, state }: Pick<Image, 'name' | 'state'>): FetchproofError {
  const code = state === 'ready' ? 'FP_NOT_HELD' : 'FP_IMAGE_UNREAD'
  return new FetchproofError(code, { image: name, state: stateWords(state) })
}
