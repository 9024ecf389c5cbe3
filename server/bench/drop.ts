/**
 * A file dropped onto the page. It goes under a hidden name of our own, which is never offered, and takes its own
 * name when it is whole. It never takes the place of another file unless the person was asked. What a server that
 * died left under such a name is swept by the next one; no other name is (a browser's download looks like any file).
 */
import { hash, randomBytes } from 'node:crypto'
import { setMaxListeners } from 'node:events'
import { readdirSync, rmSync } from 'node:fs'
import { type FileHandle, link, lstat, open, rm } from 'node:fs/promises'
import { hostname } from 'node:os'
import { join } from 'node:path'
import type { Readable } from 'node:stream'
import { pipeline } from 'node:stream/promises'
import { FetchproofError, messageOf, systemCode } from '../errors.ts'
import { sameInode } from '../files/folder.ts'
import { freeBytes } from '../files/free-bytes.ts'
import { renameOver } from '../files/replacing.ts'
import { dropName } from './drop-name.ts'

/** Left free for the ledger and whatever else lives on that disk. */
const LEFT_FREE_BYTES = 16 * 1024 * 1024

export interface DropOptions {
  readonly folder: string
  readonly records: string
  /** Bytes that may still be written to the disk of `folder`. */
  readonly roomIn?: ((folder: string) => Promise<number>) | undefined
}

export interface DropTarget {
  /** The name it would get. */
  readonly name: string
  readonly exists: boolean
  /** Bytes that it may have. */
  readonly room: number
}

export function createDrops({ folder, records, roomIn = freeBytes }: DropOptions) {
  const closing = new AbortController()
  // A listener for each drop under way, as many as there are; each goes with its pipeline.
  setMaxListeners(0, closing.signal)
  const prefix = prefixOf(records)
  sweep(folder, prefix)

  async function target(given: string): Promise<DropTarget> {
    const name = dropName(given, folder, records)
    const [exists, free] = await Promise.all([isThere(join(folder, name)), roomIn(folder)])
    return { name, exists, room: Math.max(0, free - LEFT_FREE_BYTES) }
  }

  return {
    /** What would become of a file of this name. Throws FP_DROP_NAME. */
    target,
    /**
     * Takes the bytes; `announced` is how many are said to come, where known.
     * Throws FP_DROP_NAME, FP_DROP_EXISTS, FP_DROP_NO_ROOM, FP_DROP_CUT; nothing is left behind then.
     */
    async take(
      given: string,
      body: Readable,
      { announced, replace }: { announced?: number | undefined; replace: boolean },
    ): Promise<{ name: string; bytes: number }> {
      const { name, exists, room } = await target(given)
      if (exists && !replace) throw new FetchproofError('FP_DROP_EXISTS', { file: name })
      if ((announced ?? 0) > room) throw noRoom(name, room)
      const part = join(folder, `${prefix}${randomBytes(4).toString('hex')}`)
      let file: FileHandle | undefined
      try {
        // `wx`: never through a link or onto a file that stands there. Open to the end, so that its inode is no other's.
        const taken = await open(part, 'wx', 0o644)
        file = taken
        let bytes = 0
        const write = async (pieces: AsyncIterable<Buffer>): Promise<void> => {
          for await (const piece of pieces) {
            bytes += piece.length
            if (bytes > room) throw noRoom(name, room)
            await taken.writeFile(piece)
          }
        }
        await pipeline(body, write, { signal: closing.signal })
        await taken.sync()
        if (announced !== undefined && bytes !== announced) throw new Error('bytes are missing')
        await putInPlace(part, join(folder, name), replace)
        await assertPlaced(taken, join(folder, name), bytes)
        return { name, bytes }
      } catch (error) {
        throw asDropError(error, name, room)
      } finally {
        await file?.close()
        await rm(part, { force: true })
      }
    },
    /** Ends what is under way; nothing of it stays. */
    close: (): void => closing.abort(),
  }
}

/** Of the one server that may write these records: another one on the same folder has drops under way. */
function prefixOf(records: string): string {
  return `.fetchproof-drop-${hash('sha256', `${hostname()} ${records}`, 'hex').slice(0, 8)}-`
}

/** A folder that cannot be listed or written to keeps what is left there. */
function sweep(folder: string, prefix: string): void {
  try {
    const names = readdirSync(folder).filter((name) => name.startsWith(prefix))
    for (const name of names.filter((each) => /^[0-9a-f]{8}$/.test(each.slice(prefix.length)))) {
      rmSync(join(folder, name), { force: true })
    }
  } catch {
    // Nothing depends on it.
  }
}

/** A second name for the same file fails when the name is taken; a disk without such links gets a look first. */
async function putInPlace(part: string, file: string, replace: boolean): Promise<void> {
  if (replace) return renameOver(part, file)
  try {
    await link(part, file)
  } catch (error) {
    if (systemCode(error) === 'EEXIST' || (await isThere(file))) throw error
    await renameOver(part, file)
  }
}

/** While the bytes came, another program may have put something else under either name, or written into the file. */
async function assertPlaced(file: FileHandle, path: string, bytes: number): Promise<void> {
  const [ours, placed] = await Promise.all([file.stat({ bigint: true }), lstat(path, { bigint: true })])
  if (sameInode(ours, placed) && Number(placed.size) === bytes) return
  throw new Error('another program changed it, or put something else in its place')
}

function asDropError(error: unknown, name: string, room: number): FetchproofError {
  if (error instanceof FetchproofError) return error
  const code = systemCode(error)
  if (code === 'EEXIST') return new FetchproofError('FP_DROP_EXISTS', { file: name })
  if (code === 'ENOSPC' || code === 'EDQUOT') return noRoom(name, room, error)
  const why = REASONS[code ?? ''] ?? messageOf(error)
  return new FetchproofError('FP_DROP_CUT', { file: name, why }, { cause: error })
}

const REASONS: Readonly<Record<string, string>> = {
  ERR_STREAM_PREMATURE_CLOSE: 'the upload broke off',
  ECONNRESET: 'the upload broke off',
  ABORT_ERR: 'the server is being stopped',
  EISDIR: 'a folder has this name',
  EACCES: 'the staging folder may not be written to',
  EPERM: 'the staging folder may not be written to',
  EROFS: 'the staging folder is read-only',
}

function noRoom(name: string, room: number, cause?: unknown): FetchproofError {
  return new FetchproofError('FP_DROP_NO_ROOM', { file: name, free: room }, { cause })
}

async function isThere(path: string): Promise<boolean> {
  try {
    await lstat(path)
    return true
  } catch (error) {
    if (systemCode(error) === 'ENOENT') return false
    throw error
  }
}
