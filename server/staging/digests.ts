/**
 * Digesting off the serving path. Small files take one thread; large ones two, so that whole and blocks use two
 * cores; further algorithms have a thread of their own. Each lane digests one file at a time, smallest first, but
 * none waits for ever behind later comers.
 */
import { createHash } from 'node:crypto'
import { fileURLToPath } from 'node:url'
import { builtScript } from '../files/built-script.ts'
import { type FileIdentity, type OpenFile, sameFile } from '../files/folder.ts'
import { createLane, type Lane } from './digest-lane.ts'
import { BLOCK_BYTES, type DigestsFound, type Zeros } from './digest-threads.ts'
import type { Version } from './image.ts'

/** Up to here one thread is fast enough (a tenth of a second) and spares the hand-over between two. */
const SMALL_BYTES = 32 * 1024 * 1024
/** Small files whose opening, reading and closing overlap. */
const SMALL_AT_ONCE = 4

/** What one reading of a file gave. */
export interface Reading extends Omit<Version, 'gaps' | 'more'> {
  readonly filling: Zeros & Pick<OpenFile, 'allocatedBytes'>
}

type Digested<T> =
  | { readonly kind: 'done'; readonly value: T }
  /** Size, mtime or inode moved while it was read. */
  | { readonly kind: 'changed' }
  | { readonly kind: 'cancelled' }

interface DigestOrder {
  /** Only for the order of the queue. */
  readonly bytes: number
  /** Called when its turn has come, so that a long queue holds no descriptors. */
  readonly open: () => Promise<OpenFile>
  /** 0 to 1, at most ten times a second. */
  readonly onProgress?: (share: number) => void
  readonly signal?: AbortSignal | undefined
}

export type Digests = ReturnType<typeof createDigests>

/** `workerFile` is only for tests that need another one. Starts no thread before there is something to read. */
export function createDigests(options: { workerFile?: string } = {}) {
  // Long: three lanes and who waits for them.
  const workerFile =
    options.workerFile ?? fileURLToPath(builtScript(new URL('./digest-worker.js', import.meta.url)))
  const small = createLane({ workerFile, parts: ['alone'], atOnce: SMALL_AT_ONCE })
  const large = createLane({ workerFile, parts: ['reader', 'blocks'], atOnce: 1 })
  const further = createLane({ workerFile, parts: ['more'], atOnce: 1 })

  async function run<T>(
    lane: Lane,
    order: DigestOrder & { algorithms: readonly string[] },
    urgent: boolean,
    value: (found: DigestsFound, file: OpenFile) => T,
  ): Promise<Digested<T>> {
    let outcome: Digested<T> = { kind: 'cancelled' }
    const { bytes: expected, algorithms, signal, onProgress = () => {} } = order
    await lane.enqueue({
      bytes: expected,
      urgent,
      signal,
      async work(ask) {
        const file = await order.open()
        try {
          const bytes = Number(file.identity.size)
          const found = await ask({ fd: file.fd, bytes, algorithms }, onProgress)
          if (found.kind === 'short' || !sameFile(await file.stat(), file.identity))
            outcome = { kind: 'changed' }
          else if (found.kind === 'done') outcome = { kind: 'done', value: value(found, file) }
          else outcome = { kind: 'cancelled' }
        } finally {
          await file.close()
        }
      },
    })
    return outcome
  }

  // Background digests wait until no image waits for its first reading: that one is what people wait for.
  let readings = 0
  const waiting: (() => void)[] = []

  function oneReadingLess(): void {
    readings -= 1
    if (readings === 0) for (const wake of waiting.splice(0)) wake()
  }

  return {
    /** SHA-256 of whole and blocks, and CRC-32, in one reading. Rejects with the system's error. */
    read(order: DigestOrder): Promise<Digested<Reading>> {
      readings += 1
      const lane = order.bytes > SMALL_BYTES ? large : small
      return run(lane, { ...order, algorithms: ['sha256'] }, true, readingOf).finally(oneReadingLess)
    },
    /** Further algorithms, lower-case hex by name. An urgent one sets a running background one back. */
    async more(
      order: DigestOrder & { readonly algorithms: readonly string[]; readonly urgent?: boolean },
    ): Promise<Digested<{ identity: FileIdentity; digests: Readonly<Record<string, string>> }>> {
      const urgent = order.urgent ?? false
      if (!urgent && readings > 0) await new Promise<void>((wake) => waiting.push(wake))
      return run(further, order, urgent, ({ digests }, { identity }) => ({ identity, digests }))
    },
    async close(): Promise<void> {
      await Promise.all([small.close(), large.close(), further.close()])
    },
  }
}

function readingOf(
  { digests, blocks: found }: DigestsFound,
  { identity, allocatedBytes }: OpenFile,
): Reading {
  const { sha256 } = digests
  if (sha256 === undefined || found === undefined) throw new Error('A digest thread left out an answer.')
  const { blocks, crc32, zerosAtEnd, zeroPageBytes } = found
  const blocksSha256 = createHash('sha256').update(blocks).digest('hex')
  const filling = { zerosAtEnd, zeroPageBytes, allocatedBytes }
  return Object.freeze({
    identity,
    bytes: Number(identity.size),
    sha256,
    crc32,
    blockBytes: BLOCK_BYTES,
    blocks,
    blocksSha256,
    filling,
  })
}
