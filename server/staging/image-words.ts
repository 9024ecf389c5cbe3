/** Why an image is not offered yet, in words for people. */

export const EMPTY = 'It is an empty file (0 bytes). Copy or download it again.'

export function settlingReason(digested: boolean): string {
  return digested
    ? 'Nothing vouches yet that the copy is complete; it is offered when nothing moves any more.'
    : 'It may still be written; it is read when nothing has moved for a while.'
}

/** `writer` in words, as `curl (process 4711)`. */
export function writtenReason(writer: string): string {
  return `${writer} has it open for writing. It is offered when that program has closed it.`
}

/** `cause` is the system's code of the error. */
export function lockedReason(cause: string): string {
  if (['EBUSY', 'EACCES', 'EPERM'].includes(cause)) {
    return `It cannot be opened (${cause}): another program holds it, or you have no right to read it. It is tried again every few seconds.`
  }
  return `It cannot be read (${cause}). It is tried again every few seconds.`
}
