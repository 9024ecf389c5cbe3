/**
 * Files whose download is still under way, as what stands beside them tells: a control file, or, for an empty file,
 * the growing part that will take its place (browsers put a random word between name and extension).
 */
import { posix } from 'node:path'
import { CONTROL_ENDINGS, controlledBy, wordsForNever } from './offered-names.ts'
import type { Sight } from './watch.ts'

/** `again`: whether this file is an image is to be decided again. */
export function createDownloads(options: {
  emptyImages: () => Iterable<string>
  again: (name: string) => void
}) {
  const parts = new Set<string>()
  const empty = new Set<string>()

  function decideAgain(part: string): void {
    const target = controlledBy(part)
    if (target !== undefined) options.again(target)
    for (const name of [...options.emptyImages(), ...empty]) if (isPartOf(part, name)) options.again(name)
  }

  return {
    /** A file that is no image and may belong to a download. Only the first sight of it changes anything. */
    seen(name: string): void {
      if (parts.has(name) || (controlledBy(name) ?? wordsForNever(name)) === undefined) return
      parts.add(name)
      decideAgain(name)
    },
    gone(name: string): void {
      empty.delete(name)
      if (parts.delete(name)) decideAgain(name)
    },
    /** Why the file is no image yet, in words. */
    wordsFor({ name, identity }: Sight): string | undefined {
      empty.delete(name)
      const control = CONTROL_ENDINGS.map((ending) => name + ending).find((part) => parts.has(part))
      if (control !== undefined) {
        return `being downloaded: ${posix.basename(control)} stands beside it; remove that file if no download is in progress`
      }
      if (identity.size > 0n) return undefined
      const part = [...parts].find((each) => isPartOf(each, name))
      if (part === undefined) return undefined
      empty.add(name)
      return `being downloaded: it is empty, and ${posix.basename(part)} stands beside it`
    },
  }
}

/** `fw.bin.part` and `fw.Xy3k.bin.part` of `fw.bin`, in the same folder. */
function isPartOf(part: string, name: string): boolean {
  const words = part.split('.').slice(0, -1)
  return words.some((_, at) => words.toSpliced(at, 1).join('.') === name) || words.join('.') === name
}
