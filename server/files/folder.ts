/**
 * The staging folder and the files in it: checking the folder, opening a file so that nothing outside the
 * folder and nothing but a regular file is ever read, and what the system says a file is.
 */
import { type BigIntStats, constants, readv } from 'node:fs'
import { access, type FileHandle, open, realpath, stat } from 'node:fs/promises'
import { isAbsolute, relative, resolve, sep } from 'node:path'
import { promisify } from 'node:util'
import { FetchproofError, systemCode } from '../errors.ts'
import { NO_LINK, NO_WAITING } from './regular-file.ts'

/** Of `st_blocks` (POSIX leaves it open, every system here counts in these). */
const ALLOCATION_UNIT = 512

const READING = constants.O_RDONLY | NO_WAITING

/** What `fstat` says of the file whose bytes a version names. BigInts as `fs.BigIntStats` gives them. */
export interface FileIdentity {
  readonly dev: bigint
  readonly ino: bigint
  readonly size: bigint
  readonly mtimeNs: bigint
  /** Moves with every write and cannot be set back by a copy: `ctime`; the change time on Windows. */
  readonly ctimeNs: bigint
}

/** An opened image; every stat and read goes through this one descriptor. */
export type OpenFile = ReturnType<typeof openFile>

/**
 * The folder's real path, links resolved.
 * Throws FP_FOLDER_MISSING, FP_FOLDER_NOT_FOLDER, FP_FOLDER_UNREADABLE.
 */
export async function checkFolder(folder: string): Promise<string> {
  try {
    const real = await realpath(folder)
    if (!(await stat(real)).isDirectory()) throw new FetchproofError('FP_FOLDER_NOT_FOLDER', { folder })
    await access(real, constants.R_OK | constants.X_OK)
    return real
  } catch (error) {
    if (error instanceof FetchproofError) throw error
    const cause = systemCode(error) ?? String(error)
    if (cause === 'ENOENT') throw new FetchproofError('FP_FOLDER_MISSING', { folder }, { cause: error })
    if (cause === 'ENOTDIR') throw new FetchproofError('FP_FOLDER_NOT_FOLDER', { folder }, { cause: error })
    const advice = cause === 'ENAMETOOLONG' ? 'Choose a folder with a shorter path' : 'Check its permissions'
    throw new FetchproofError('FP_FOLDER_UNREADABLE', { folder, cause, advice }, { cause: error })
  }
}

export function identityOf(stats: BigIntStats): FileIdentity {
  const { dev, ino, size, mtimeNs, ctimeNs } = stats
  return Object.freeze({ dev, ino, size, mtimeNs, ctimeNs })
}

export function sameFile(a: FileIdentity, b: FileIdentity): boolean {
  return a.ctimeNs === b.ctimeNs && sameButTouched(a, b)
}

/** A file whose bytes were changed with its old mtime put back looks so, and one whose rights were changed. */
export function sameButTouched(a: FileIdentity, b: FileIdentity): boolean {
  return sameInode(a, b) && a.size === b.size && a.mtimeNs === b.mtimeNs
}

/**
 * On Windows `stat` by path gives 64 bits of the volume's number with some versions of libuv (1.49), by handle 32:
 * then the low ones are what can be compared.
 */
export function sameInode(
  a: Pick<FileIdentity, 'dev' | 'ino'>,
  b: Pick<FileIdentity, 'dev' | 'ino'>,
  platform: NodeJS.Platform = process.platform,
): boolean {
  if (a.ino !== b.ino) return false
  if (a.dev === b.dev || platform !== 'win32') return a.dev === b.dev
  const [low, other] = [BigInt.asUintN(32, a.dev), BigInt.asUintN(32, b.dev)]
  return low === other && (low === a.dev || other === b.dev)
}

/** True when `path` (absolute, links resolved) lies within `folder` (the same). */
export function isInside(folder: string, path: string): boolean {
  const way = relative(folder, path)
  return way !== '' && way !== '..' && !way.startsWith(`..${sep}`) && !isAbsolute(way)
}

/**
 * Opens a regular file within the folder for reading. Non-blocking, because opening a named pipe waits for a
 * writer and four of those stall every file call of the process; after opening, the name must still resolve to
 * the descriptor's own file, so that a link that is swapped between the look and the opening gains nothing.
 * `folder` as checkFolder gave it, `file` absolute. `mayOpen` judges the name within the folder that the file has
 * after links are resolved: a link may carry an image's name and lead to what is never offered.
 * Throws the system's error, or FP_IMAGE_OUTSIDE, FP_IMAGE_NOT_FILE, FP_IMAGE_CHANGED.
 */
export async function openInside(
  folder: string,
  file: string,
  mayOpen: (name: string) => boolean = () => true,
): Promise<OpenFile> {
  const real = await resolveInside(folder, file, mayOpen)
  const handle = await open(real, READING | NO_LINK)
  try {
    const [stats, now] = await Promise.all([
      handle.stat({ bigint: true }),
      resolveInside(folder, file, mayOpen).then((again) => stat(again, { bigint: true })),
    ])
    if (!stats.isFile()) throw new FetchproofError('FP_IMAGE_NOT_FILE', { image: file })
    if (!sameInode(now, stats)) throw new FetchproofError('FP_IMAGE_CHANGED', { image: file })
    return openFile(handle, stats)
  } catch (error) {
    await handle.close()
    throw error
  }
}

/**
 * Opens a file that `openInside` opened before: whoever then finds the identity that it had knows that it is that file,
 * wherever links lead now. Two calls in place of five: each waits for its turn while many fetch.
 */
export async function openAgain(path: string): Promise<OpenFile> {
  const handle = await open(path, READING)
  try {
    return openFile(handle, await handle.stat({ bigint: true }))
  } catch (error) {
    await handle.close()
    throw error
  }
}

const scatter = promisify(readv)

function openFile(handle: FileHandle, stats: BigIntStats) {
  let closing: Promise<void> | undefined
  return {
    fd: handle.fd,
    identity: identityOf(stats),
    /** What the file system holds data for (`st_blocks`): less than the size where bytes were reserved, not written. */
    allocatedBytes: Number(stats.blocks) * ALLOCATION_UNIT,
    /** Up to `bytes` from the start, fewer where the file is shorter. */
    async readHead(bytes: number): Promise<Uint8Array> {
      const { buffer, bytesRead } = await handle.read(Buffer.alloc(bytes), 0, bytes, 0)
      return buffer.subarray(0, bytesRead)
    },
    /** Scattered over the buffers, from a position on. */
    readv: (buffers: readonly NodeJS.ArrayBufferView[], position: number): Promise<{ bytesRead: number }> =>
      scatter(handle.fd, buffers, position),
    /** What the descriptor says now. */
    stat: async (): Promise<FileIdentity> => identityOf(await handle.stat({ bigint: true })),
    close(): Promise<void> {
      closing ??= handle.close()
      return closing
    },
  }
}

/** The name that a path (absolute, links resolved) has within the folder, `/` between segments. */
export function nameWithin(folder: string, path: string): string {
  return relative(folder, path).split(sep).join('/')
}

async function resolveInside(
  folder: string,
  file: string,
  mayOpen: (name: string) => boolean,
): Promise<string> {
  const real = await realpath(resolve(folder, file))
  if (!isInside(folder, real) || !mayOpen(nameWithin(folder, real))) {
    throw new FetchproofError('FP_IMAGE_OUTSIDE', { image: file, folder })
  }
  return real
}
