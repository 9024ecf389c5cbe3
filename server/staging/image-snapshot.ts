/** Making the immutable snapshots of an image that the catalogue hands out. */
import { basename } from 'node:path'
import type { Image, ImageState, Version } from './image.ts'
import { type Judgement, NO_FORMAT, NO_STANDING } from './judge.ts'
import { digestPath } from './naming.ts'
import type { PlacedPath } from './plain-paths.ts'
import type { Sight } from './watch.ts'

/** All that a snapshot is made from. */
export interface ImageFacts {
  readonly file: string
  readonly sight: Sight
  readonly placed: PlacedPath
  readonly state: ImageState
  /** What belongs to this state alone. */
  readonly told: Pick<Image, 'reason' | 'progress' | 'settlesAtMs' | 'hold' | 'lifted'>
  readonly version?: Version | undefined
  readonly judgement?: Judgement | undefined
}

export function snapshot(facts: ImageFacts): Image {
  const { sight, version, judgement, placed } = facts
  const notes = [...(judgement?.notes ?? []), ...nameNotes(sight.name)]
  if (placed.note !== undefined) notes.push(placed.note)
  return Object.freeze({
    name: sight.name,
    file: facts.file,
    plainPath: placed.path,
    bytes: Number(sight.identity.size),
    modifiedMs: sight.modifiedMs,
    state: facts.state,
    published: judgement?.published ?? NO_STANDING,
    format: judgement?.format ?? NO_FORMAT,
    notes: Object.freeze(notes),
    ...(version === undefined ? {} : { version, digestPath: digestPath(sight.name, version.sha256) }),
    ...facts.told,
  })
}

/** What browsers do to names of things that were downloaded twice, or that carry two extensions. */
function nameNotes(name: string): string[] {
  const file = basename(name)
  const copy = /\s?\((\d{1,3})\)(?=(\.[^.]*)*$)/.exec(file)
  if (copy !== null) {
    return [`"(${copy[1]})" in the name is what browsers add to a second download; is it the file you mean?`]
  }
  const twice = /\.(bin|img|zip|gz|tar|html?|txt)\.(bin|img|html?|txt|zip)$/i.exec(file)
  if (twice !== null && !/^\.tar\.gz$/i.test(twice[0])) {
    return [`The name carries two extensions (${twice[0]}); a browser may have added one of them.`]
  }
  return []
}
