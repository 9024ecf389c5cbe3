import { statfs } from 'node:fs/promises'

/** Bytes that an ordinary user may still write to the disk of a folder. Rejects as `statfs` does. */
export async function freeBytes(folder: string): Promise<number> {
  const { bavail, bsize } = await statfs(folder)
  return bavail * bsize
}
