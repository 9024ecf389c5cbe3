/**
 * A folder that is written into for hours, and that others may write into as well: looked at again before each write,
 * so that nothing is written through a link, or into another folder, that was put in its place meanwhile.
 */
import { lstatSync, statSync } from 'node:fs'

/** Throws, with a sentence, when the path names another folder than it did, or none. */
export type StillThere = () => void

/** Holds the folder that the path names now, by device and inode; one that a link leads to, as long as a link does. */
export function heldFolder(path: string): StillThere {
  const held = seen(path)
  return () => {
    const now = seen(path)
    const same = now !== undefined && now.ino === held?.ino && now.dev === held.dev && now.link === held.link
    if (same) return
    throw new Error(
      now === undefined ? `the folder ${path} is gone` : `another folder or a link stands where ${path} was`,
    )
  }
}

function seen(path: string) {
  const folder = statSync(path, { throwIfNoEntry: false })
  if (folder === undefined) return undefined
  return { ino: folder.ino, dev: folder.dev, link: lstatSync(path).isSymbolicLink() }
}
