/** The published checksums: what checksum texts and pasted ones say of each image. */
import { ALGORITHMS, type Algorithm } from '../digests/algorithm.ts'
import { type ChecksumText, entriesFor, isListOfFiles, isSilent, readChecksumText } from './checksum-text.ts'
import { type Claim, type Comparison, standingAgainst } from './comparison.ts'
import { comparable, type KnownNames, knownNames } from './match-names.ts'
import { type Unused, unusedOf } from './unused.ts'

export type PublishedChecksums = ReturnType<typeof createPublishedChecksums>

/**
 * `imageNames` gives the names now in the staging folder (paths, `/` between folders): they decide what a base
 * name in a list can mean. The same collection object is taken to hold the same names: give a new one when
 * they change.
 */
export function createPublishedChecksums(deps: { readonly imageNames: () => Iterable<string> }) {
  // Long: one collection of texts; each function changes it or asks it.
  const texts = new Map<string, ChecksumText>()
  const pasted = new Map<string, readonly Claim[]>()
  /** What is derived from the names and the texts as they are. */
  let last: { names: Iterable<string>; known: KnownNames; unused?: readonly Unused[] } | undefined

  // Judging a whole folder asks once an image: the same collection of names is indexed once.
  function derived(): NonNullable<typeof last> {
    const names = deps.imageNames()
    if (last?.names !== names) last = { names, known: knownNames(names) }
    return last
  }

  function unused(): readonly Unused[] {
    const now = derived()
    now.unused ??= [...texts.values()].flatMap((text) => unusedOf(text, now.known))
    return now.unused
  }

  function changed(): void {
    if (last !== undefined) last = { names: last.names, known: last.known }
  }

  /** Every published checksum of the image, the strongest first; texts that may be about it or about another one. */
  function gather(imageName: string) {
    const claims: Claim[] = [...(pasted.get(comparable(imageName)) ?? [])]
    const ambiguous: string[] = []
    for (const text of texts.values()) {
      const found = entriesFor(text, imageName, derived().known)
      if (found.ambiguous) ambiguous.push(text.path)
      for (const { algorithm, digest, line, said, certain } of found.entries) {
        const source = `${text.path}, line ${line}`
        claims.push({ algorithm, digest, source, text: text.path, loose: !certain, said })
      }
    }
    claims.sort((a, b) => ALGORITHMS.indexOf(a.algorithm) - ALGORITHMS.indexOf(b.algorithm))
    return { claims, ambiguous }
  }

  function remove(fileName: string): boolean {
    const said = texts.delete(fileName)
    if (said) changed()
    return said
  }

  return {
    /**
     * Takes in a text anew, letting others have their turn meanwhile: one call for a file after the other. True when the
     * text says something of files, or did before.
     */
    async set(fileName: string, content: Uint8Array | string): Promise<boolean> {
      const text = await readChecksumText(fileName, content)
      const said = remove(fileName)
      if (isSilent(text)) return said
      texts.set(fileName, text)
      changed()
      return true
    },
    /** True when the text said something of files. */
    remove,
    /** Whether that text is a list of checksums and nothing else. */
    isList(fileName: string): boolean {
      const text = texts.get(fileName)
      return text !== undefined && isListOfFiles(text, derived().known)
    },
    /** Takes what a person pasted as published for `imageName`, in the place of what was pasted before. */
    paste: (imageName: string, claims: readonly Claim[]): void =>
      void pasted.set(comparable(imageName), claims),
    /** How the image stands. `digestOf` gives its digest in lower-case hex; its errors pass through. */
    async standingOf(
      imageName: string,
      digestOf: (algorithm: Algorithm) => Promise<string> | string,
    ): Promise<Comparison> {
      const { claims, ambiguous } = gather(imageName)
      const near = unused().filter(({ image }) => image === comparable(imageName))
      const notes = [
        ...ambiguous.map((path) => ambiguousNote(path, imageName)),
        ...near.map(({ file, line, reason }) => `${file}, line ${line}: ${reason}`),
      ]
      return standingAgainst(claims, digestOf, notes)
    },
    /** What was read and is used for no image; the same array until that changes. Never a reason to hold anything. */
    unused,
  }
}

function ambiguousNote(path: string, imageName: string): string {
  return `${path} gives a checksum for a file of this name, but several files here could be meant; it is not counted for ${imageName}.`
}
