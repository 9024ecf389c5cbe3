/** Files with a document's extension: they are offered as images only when they are not what they are called. */

import type { FileIdentity } from '../files/folder.ts'
import { type OpenFile, sameFile } from '../files/folder.ts'
import { HEAD_BYTES, isDocument } from './never-offered.ts'
import type { Sight } from './watch.ts'

export interface Documents {
  seen(sight: Sight): void
  gone(name: string): void
  /** Resolves when every file that was seen has been looked into. */
  settled(): Promise<void>
}

export function createDocuments(options: {
  open: (name: string) => Promise<OpenFile>
  /** Known from an earlier run to be an image; it need not be opened. */
  isKnownImage: (sight: Sight) => boolean
  onImage: (sight: Sight) => void
  /** It is a document; it may have been an image before. */
  onDocument: (name: string) => void
}): Documents {
  const known = new Map<string, { identity: FileIdentity; isImage: boolean | undefined }>()
  let looking: Promise<void> = Promise.resolve()

  async function lookInto(sight: Sight): Promise<void> {
    const entry = known.get(sight.name)
    if (entry === undefined || entry.identity !== sight.identity) return
    try {
      const file = await options.open(sight.name)
      const head = await file.readHead(HEAD_BYTES).finally(() => file.close())
      entry.isImage = !isDocument(sight.name, head)
    } catch {
      // It cannot be opened just now: the next look at the folder tries again.
      if (known.get(sight.name) === entry) known.delete(sight.name)
      return
    }
    if (known.get(sight.name) !== entry) return
    if (entry.isImage) options.onImage(sight)
    else options.onDocument(sight.name)
  }

  return {
    seen(sight) {
      const before = known.get(sight.name)
      if (before !== undefined && sameFile(before.identity, sight.identity)) {
        if (before.isImage === true) options.onImage(sight)
        return
      }
      const isImage = options.isKnownImage(sight) ? true : undefined
      known.set(sight.name, { identity: sight.identity, isImage })
      if (isImage === true) options.onImage(sight)
      else looking = looking.then(() => lookInto(sight))
    },
    gone: (name) => void known.delete(name),
    settled: () => looking,
  }
}
