/**
 * Verified blocks: a block is read, its SHA-256 compared with the catalogue's, and only then given out. One read
 * serves all who want the same block at once; a byte-bounded LRU keeps verified blocks, so that a stack of
 * devices pulling one image costs one read and one check.
 *
 * A block is read into separate pieces of 64 KiB (one `readv`), each with memory of its own: a stalled socket
 * then pins the one piece that it was handed, not the block. Measured figures stand in DEVELOPERS.md.
 */
import { createHash } from 'node:crypto'
import { LRUCache } from 'lru-cache'
import { FetchproofError, systemCode } from '../errors.ts'
import { sameFile } from '../staging/folder.ts'
import type { Version } from '../staging/image.ts'
import type { ImageFile } from './image-file.ts'

export const PIECE_BYTES = 64 * 1024

export type Block = readonly Uint8Array[]

export interface OpenedVersion {
  readonly version: Version
  /** A verified block that is at hand, without waiting. */
  at(index: number): Block | undefined
  /**
   * Reads and verifies a block. Throws FP_IMAGE_CHANGED when its bytes are not those of the version or the file
   * was changed, FP_IMAGE_UNREADABLE when it cannot be read.
   */
  load(index: number): Promise<Block>
  /** The descriptor is closed when the last user has released the version. Idempotent a caller. */
  release(): void
}

export interface BlockStore {
  /** Opens the file of a version, or joins those who have it open. Same errors as `load`. */
  open(image: { name: string; version: Version }): Promise<OpenedVersion>
}

export interface BlockStoreOptions {
  readonly cacheBytes: number
  /** Opens the file of an image, by its name: a regular file inside the staging folder. */
  readonly openFile: (name: string) => Promise<ImageFile>
}

/** One descriptor for all fetches of a version; users are counted from the moment they ask. */
interface Shared {
  readonly file: Promise<ImageFile>
  users: number
}

export function createBlockStore({ cacheBytes, openFile }: BlockStoreOptions): BlockStore {
  const cache = new LRUCache<string, Block>({
    maxSize: Math.max(1, cacheBytes),
    sizeCalculation: (block) => Math.max(1, bytesOf(block)),
  })
  const loading = new Map<string, Promise<Block>>()
  const opened = new Map<string, Shared>()

  function share(key: string, image: { name: string; version: Version }): Shared {
    const known = opened.get(key)
    if (known !== undefined) return known
    const fresh: Shared = { file: openChecked(openFile, image), users: 0 }
    opened.set(key, fresh)
    return fresh
  }

  function leave(key: string, shared: Shared): void {
    shared.users -= 1
    if (shared.users > 0) return
    if (opened.get(key) === shared) opened.delete(key)
    // The descriptor was only read from: a failing close loses nothing.
    shared.file.then((file) => file.close()).catch(() => undefined)
  }

  async function loadBlock(file: ImageFile, name: string, version: Version, index: number): Promise<Block> {
    const block = await readBlock(file, name, version, index)
    cache.set(`${version.sha256} ${index}`, block)
    return block
  }

  function loadOnce(file: ImageFile, name: string, version: Version, index: number): Promise<Block> {
    const key = `${version.sha256} ${index}`
    const known = loading.get(key)
    if (known !== undefined) return known
    const fresh = loadBlock(file, name, version, index).finally(() => loading.delete(key))
    loading.set(key, fresh)
    return fresh
  }

  return {
    async open(image) {
      const { name, version } = image
      const key = `${name} ${version.sha256} ${version.identity.ino} ${version.identity.mtimeNs}`
      const shared = share(key, image)
      shared.users += 1
      let released = false
      const release = (): void => {
        if (!released) leave(key, shared)
        released = true
      }
      try {
        const file = await shared.file
        return {
          version,
          at: (index) => cache.get(`${version.sha256} ${index}`),
          load: (index) => loadOnce(file, name, version, index),
          release,
        }
      } catch (error) {
        release()
        throw error
      }
    },
  }
}

async function openChecked(
  openFile: BlockStoreOptions['openFile'],
  { name, version }: { name: string; version: Version },
): Promise<ImageFile> {
  let file: ImageFile
  try {
    file = await openFile(name)
  } catch (error) {
    throw unreadable(name, error)
  }
  const stat = await file.stat().catch(() => undefined)
  if (stat === undefined || !sameFile(stat, version.identity)) {
    await file.close().catch(() => undefined)
    throw new FetchproofError('FP_IMAGE_CHANGED', { image: name })
  }
  return file
}

async function readBlock(file: ImageFile, name: string, version: Version, index: number): Promise<Block> {
  const position = index * version.blockBytes
  const length = Math.min(version.blockBytes, version.bytes - position)
  const pieces: Uint8Array[] = []
  for (let at = 0; at < length; at += PIECE_BYTES) {
    pieces.push(Buffer.allocUnsafeSlow(Math.min(PIECE_BYTES, length - at)))
  }
  let bytesRead: number
  try {
    ;({ bytesRead } = await file.readv(pieces, position))
  } catch (error) {
    throw unreadable(name, error)
  }
  // A short read of a regular file means that it was cut; a longer file shows at the next stat.
  if (bytesRead !== length || !isBlock(pieces, version, index)) {
    throw new FetchproofError('FP_IMAGE_CHANGED', { image: name })
  }
  return pieces
}

function isBlock(pieces: Block, version: Version, index: number): boolean {
  const hash = createHash('sha256')
  for (const piece of pieces) hash.update(piece)
  return hash.digest().equals(version.blocks.subarray(index * 32, index * 32 + 32))
}

function bytesOf(block: Block): number {
  return block.reduce((sum, piece) => sum + piece.byteLength, 0)
}

function unreadable(name: string, error: unknown): FetchproofError {
  const cause = systemCode(error) ?? String(error)
  return new FetchproofError('FP_IMAGE_UNREADABLE', { image: name, cause }, { cause: error })
}
