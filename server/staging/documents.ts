/**
 * What is looked into before it counts: files with a document's extension are offered as images only when they are not
 * what they are called, and texts under any name may hold published checksums.
 */
import { type FileIdentity, type OpenFile, sameFile } from '../files/folder.ts'
import { HEAD_BYTES, isDocument, isText } from './offered-names.ts'
import type { Sight } from './watch.ts'

/** A longer file under an image's name is an image, whatever it begins with. */
const LONGEST_TEXT = 1024n * 1024n

export function createDocuments(options: {
  open: (name: string) => Promise<OpenFile>
  /** Known from an earlier run to be an image: whether it is a text too. Another one need not be opened. */
  known: (sight: Sight) => 'text' | 'other' | undefined
  onImage: (sight: Sight) => void
  /** It is a document; it may have been an image before. */
  onDocument: (name: string) => void
  /** It may hold published checksums, be it an image or not. */
  onText: (sight: Sight, isText: boolean) => void
}) {
  const looks = new Map<string, { identity: FileIdentity; isImage: boolean | undefined }>()
  let looking: Promise<void> = Promise.resolve()

  async function lookInto(sight: Sight): Promise<void> {
    const entry = looks.get(sight.name)
    if (entry === undefined || entry.identity !== sight.identity) return
    let head: Uint8Array
    try {
      const file = await options.open(sight.name)
      head = await file.readHead(HEAD_BYTES).finally(() => file.close())
    } catch {
      // It cannot be opened just now: the next look at the folder tries again.
      if (looks.get(sight.name) === entry) looks.delete(sight.name)
      return
    }
    if (looks.get(sight.name) !== entry) return
    options.onText(sight, isText(head))
    if (entry.isImage) return
    entry.isImage = !isDocument(sight.name, head)
    if (entry.isImage) options.onImage(sight)
    else options.onDocument(sight.name)
  }

  return {
    /** `named`: what its name promises. */
    seen(sight: Sight, named: 'perhaps a document' | 'image'): void {
      const before = looks.get(sight.name)
      const same = before !== undefined && sameFile(before.identity, sight.identity)
      const known = same ? undefined : options.known(sight)
      const isImage = same ? before.isImage : named === 'image' || known !== undefined || undefined
      if (isImage) options.onImage(sight)
      if (same) return
      looks.set(sight.name, { identity: sight.identity, isImage })
      if (known === 'other' || (isImage && sight.identity.size > LONGEST_TEXT)) options.onText(sight, false)
      else looking = looking.then(() => lookInto(sight))
    },
    gone: (name: string): void => void looks.delete(name),
    /** Resolves when every file that was seen has been looked into. */
    settled: (): Promise<void> => looking,
  }
}
