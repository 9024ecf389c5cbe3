/** The file calls that the staging room makes, in one value, so that tests can count them or make them fail. */
import type { BigIntStats } from 'node:fs'
import { lstat, readdir, realpath, stat } from 'node:fs/promises'
import { type OpenFile, openInside } from './folder.ts'

interface Listed {
  readonly name: string
  readonly isFolder: boolean
}

export interface FileAccess {
  /** Entries of one folder that are files, folders or links; not followed. */
  list(path: string): Promise<readonly Listed[]>
  /** Of the entry itself, a link not followed. */
  lstat(path: string): Promise<BigIntStats>
  stat(path: string): Promise<BigIntStats>
  realpath(path: string): Promise<string>
  open(folder: string, file: string, mayOpen?: (name: string) => boolean): Promise<OpenFile>
}

export const FILE_ACCESS: FileAccess = Object.freeze({
  async list(path) {
    const entries = await readdir(path, { withFileTypes: true })
    return entries
      .filter((entry) => entry.isFile() || entry.isDirectory() || entry.isSymbolicLink())
      .map((entry) => ({ name: entry.name, isFolder: entry.isDirectory() }))
  },
  lstat: (path) => lstat(path, { bigint: true }),
  stat: (path) => stat(path, { bigint: true }),
  realpath: (path) => realpath(path),
  open: openInside,
} satisfies FileAccess)
