/**
 * Verified blocks: a block is read, its SHA-256 compared with the catalogue's, and only then given out. One read
 * serves all who want the same block at once; a byte-bounded LRU keeps verified blocks, so that a stack of
 * devices pulling one image costs one read and one check.
 *
 * A block is read into separate pieces of 64 KiB (one `readv`), each with memory of its own: a stalled socket
 * then pins the one piece that it was handed, not the block. Whoever has a piece holds it, and lets go of it when
 * done, so that its memory can be used again. Measured figures stand in DEVELOPERS.md.
 */
import { createHash } from 'node:crypto'
import { LRUCache } from 'lru-cache'
import { FetchproofError, isFetchproofError, systemCode } from '../errors.ts'
import { createConcurrencyLimit } from '../files/concurrency-limit.ts'
import { type OpenFile, sameFile } from '../files/folder.ts'
import type { Version } from '../staging/image.ts'
import { createPieceMemory, PIECE_BYTES, type Piece, type PieceMemory } from './block-pieces.ts'

/** What blocks are read from: the descriptor that was checked. */
export type ImageFile = Pick<OpenFile, 'identity' | 'stat' | 'readv' | 'close'>

/** Verified, and held by whoever got it. */
export interface HeldBlock {
  readonly pieces: readonly Piece[]
  /** Idempotent. */
  letGo(): void
}

export interface OpenedVersion {
  readonly version: Version
  /** A verified block that is at hand, held by the cache alone: its pieces are to be held before anything else is done. */
  at(index: number): readonly Piece[] | undefined
  /**
   * Reads and verifies a block. Throws FP_IMAGE_CHANGED when its bytes are not those of the version or the file
   * was changed, FP_IMAGE_UNREADABLE when it cannot be read.
   */
  load(index: number): Promise<HeldBlock>
  /** Begins to load a block that will be wanted soon. A fault shows when the block itself is asked for. */
  readAhead(index: number): void
  /** The descriptor is closed when the last user has released the version. Idempotent a caller. */
  release(): void
}

export type BlockStore = ReturnType<typeof createBlockStore>

interface BlockStoreOptions {
  readonly cacheBytes: number
  /** Opens the file of an image, by its name: a regular file inside the staging folder. */
  readonly openFile: (name: string) => Promise<ImageFile>
}

/** Node reads files in four threads. More readings would only take memory while they wait for one. */
const READINGS_AT_ONCE = 8

/** One descriptor for all fetches of a version; users are counted from the moment they ask. */
interface Shared {
  readonly file: Promise<ImageFile>
  /** Under way: whether it is still what was opened. */
  checking: Promise<void> | undefined
  users: number
}

/** A block on its way, and one hold for each who waits for it. */
interface Loading {
  /** The file that it is read from. */
  readonly from: string
  readonly holds: Promise<HeldBlock[]>
  waiting: number
}

export function createBlockStore({ cacheBytes, openFile }: BlockStoreOptions) {
  // Long: one cache; loading, reading ahead and letting go all count in it.
  const cache = new LRUCache<string, HeldBlock>({
    maxSize: Math.max(1, cacheBytes),
    sizeCalculation: ({ pieces }) => Math.max(1, bytesOf(pieces)),
    dispose: (block) => block.letGo(),
  })
  const memory = createPieceMemory()
  const inTurn = createConcurrencyLimit(READINGS_AT_ONCE)
  const loading = new Map<string, Loading>()
  const opened = new Map<string, Shared>()

  function share(key: string, image: { name: string; version: Version }): Shared {
    const known = opened.get(key)
    if (known !== undefined) return known
    const fresh: Shared = { file: openChecked(openFile, image), checking: undefined, users: 0 }
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

  /** One look for all who join while it is under way. */
  function stillUnchanged(
    shared: Shared,
    file: ImageFile,
    image: { name: string; version: Version },
  ): Promise<void> {
    shared.checking ??= checkUnchanged(file, image).finally(() => {
      shared.checking = undefined
    })
    return shared.checking
  }

  function keep(key: string, block: HeldBlock): void {
    cache.set(key, block)
    // Larger than the whole cache: not taken.
    if (cache.peek(key) !== block) block.letGo()
  }

  function loadOnce(key: string, from: string, read: () => Promise<HeldBlock>): Promise<HeldBlock> {
    const known = loading.get(key)
    // Another file of the same bytes: that one's fault is not this one's.
    if (known !== undefined && known.from !== from) return oneOf(known).catch(() => loadOnce(key, from, read))
    if (known !== undefined) return oneOf(known)
    const fresh: Loading = {
      from,
      waiting: 0,
      holds: read().then(
        (block) => {
          loading.delete(key)
          const holds = Array.from({ length: fresh.waiting }, () => hold(block.pieces))
          keep(key, block)
          return holds
        },
        (error: unknown) => {
          loading.delete(key)
          throw error
        },
      ),
    }
    loading.set(key, fresh)
    return oneOf(fresh)
  }

  return {
    /** Opens the file of a version, or joins those who have it open. Same errors as `load`. */
    async open(image: { name: string; version: Version }): Promise<OpenedVersion> {
      const { name, version } = image
      const fileKey = `${name} ${version.sha256} ${version.identity.ino} ${version.identity.mtimeNs}`
      const blockKey = (index: number): string => `${version.sha256} ${index}`
      const isJoining = opened.has(fileKey)
      const shared = share(fileKey, image)
      shared.users += 1
      let released = false
      const release = (): void => {
        if (!released) leave(fileKey, shared)
        released = true
      }
      let file: ImageFile
      try {
        file = await shared.file
        // A change that nobody has told of yet: better noticed before anything is promised than by a reset.
        if (isJoining) await stillUnchanged(shared, file, image)
      } catch (error) {
        release()
        throw error
      }

      async function read(index: number): Promise<HeldBlock> {
        // A reading outlives the fetch that asked for it, and others may wait for it.
        shared.users += 1
        try {
          return await inTurn(() => readBlock(file, name, version, index, memory))
        } finally {
          leave(fileKey, shared)
        }
      }

      function load(index: number): Promise<HeldBlock> {
        return loadOnce(blockKey(index), fileKey, () => read(index))
      }

      return {
        version,
        at: (index) => cache.get(blockKey(index))?.pieces,
        load,
        readAhead(index) {
          if (index * version.blockBytes >= version.bytes || cache.has(blockKey(index))) return
          load(index).then(
            (block) => block.letGo(),
            () => undefined,
          )
        },
        release,
      }
    },
  }
}

function hold(pieces: readonly Piece[]): HeldBlock {
  const holds = pieces.map((piece) => piece.hold())
  return {
    pieces,
    letGo() {
      for (const letGo of holds) letGo()
    },
  }
}

async function oneOf(loading: Loading): Promise<HeldBlock> {
  loading.waiting += 1
  const block = (await loading.holds).pop()
  if (block === undefined) throw new RangeError('more waited for a block than were counted')
  return block
}

async function openChecked(
  openFile: BlockStoreOptions['openFile'],
  image: { name: string; version: Version },
): Promise<ImageFile> {
  const { name } = image
  let file: ImageFile
  try {
    file = await openFile(name)
  } catch (error) {
    // Replaced while it was being opened: that is said as such, and not as a code in the place of a cause.
    if (isFetchproofError(error, 'FP_IMAGE_CHANGED')) {
      throw new FetchproofError('FP_IMAGE_CHANGED', { image: name }, { cause: error })
    }
    throw unreadable(name, error)
  }
  if (sameFile(file.identity, image.version.identity)) return file
  await file.close().catch(() => undefined)
  throw new FetchproofError('FP_IMAGE_CHANGED', { image: name })
}

async function checkUnchanged(
  file: ImageFile,
  { name, version }: { name: string; version: Version },
): Promise<void> {
  const stat = await file.stat().catch(() => undefined)
  if (stat === undefined || !sameFile(stat, version.identity))
    throw new FetchproofError('FP_IMAGE_CHANGED', { image: name })
}

async function readBlock(
  file: ImageFile,
  name: string,
  version: Version,
  index: number,
  memory: PieceMemory,
): Promise<HeldBlock> {
  const position = index * version.blockBytes
  const length = Math.min(version.blockBytes, version.bytes - position)
  const pieces: Piece[] = []
  for (let at = 0; at < length; at += PIECE_BYTES)
    pieces.push(memory.take(Math.min(PIECE_BYTES, length - at)))
  const block = hold(pieces)
  try {
    const views = pieces.map((piece) => piece.bytes)
    const { bytesRead } = await file.readv(views, position).catch((error: unknown) => {
      throw unreadable(name, error)
    })
    // A short read of a regular file means that it was cut; a longer file shows at the next stat.
    if (bytesRead !== length || !isBlock(views, version, index)) {
      throw new FetchproofError('FP_IMAGE_CHANGED', { image: name })
    }
    return block
  } catch (error) {
    block.letGo()
    throw error
  }
}

function isBlock(pieces: readonly Uint8Array[], version: Version, index: number): boolean {
  const hash = createHash('sha256')
  for (const piece of pieces) hash.update(piece)
  return hash.digest().equals(version.blocks.subarray(index * 32, index * 32 + 32))
}

function bytesOf(pieces: readonly Piece[]): number {
  return pieces.reduce((sum, { bytes }) => sum + bytes.byteLength, 0)
}

function unreadable(name: string, error: unknown): FetchproofError {
  const cause = systemCode(error) ?? String(error)
  return new FetchproofError('FP_IMAGE_UNREADABLE', { image: name, cause }, { cause: error })
}
