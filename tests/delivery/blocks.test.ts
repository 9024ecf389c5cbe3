import { createHash, randomBytes } from 'node:crypto'
import { setImmediate } from 'node:timers/promises'
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import { PIECE_BYTES } from '../../server/delivery/block-pieces.ts'
import { createBlockStore, type HeldBlock, type ImageFile } from '../../server/delivery/blocks.ts'
import { FetchproofError } from '../../server/errors.ts'
import type { Version } from '../../server/staging/image.ts'

const BLOCK_BYTES = 4 * PIECE_BYTES
const IDENTITY = { dev: 1n, ino: 2n, size: 0n, mtimeNs: 3n, ctimeNs: 1n }

function versionOf(bytes: Buffer): Version {
  const blocks: Buffer[] = []
  for (let at = 0; at < bytes.length; at += BLOCK_BYTES) {
    blocks.push(
      createHash('sha256')
        .update(bytes.subarray(at, at + BLOCK_BYTES))
        .digest(),
    )
  }
  return {
    sha256: createHash('sha256').update(bytes).digest('hex'),
    bytes: bytes.length,
    crc32: '00000000',
    blockBytes: BLOCK_BYTES,
    blocks: Buffer.concat(blocks),
    blocksSha256: createHash('sha256').update(Buffer.concat(blocks)).digest('hex'),
    identity: { ...IDENTITY, size: BigInt(bytes.length) },
    more: {},
  }
}

/** A file in memory whose content a test may change, and that counts what is done with it. */
function stage(content: Buffer, cacheBytes = 64 * 1024 * 1024) {
  const version = versionOf(content)
  const file = { content: Buffer.from(content), identity: version.identity, opens: 0, reads: 0, closes: 0 }
  let release: (() => void) | undefined
  let gate: Promise<void> | undefined
  const openFile = async (): Promise<ImageFile> => {
    file.opens += 1
    return {
      identity: file.identity,
      stat: async () => file.identity,
      async readv(buffers, position) {
        file.reads += 1
        await gate
        let at = position
        for (const view of buffers) {
          const target = Buffer.from(view.buffer, view.byteOffset, view.byteLength)
          at += file.content.copy(target, 0, at, at + view.byteLength)
        }
        return { bytesRead: Math.max(0, at - position) }
      },
      async close() {
        file.closes += 1
      },
    }
  }
  return {
    file,
    image: { name: 'switch.bin', version },
    store: createBlockStore({ cacheBytes, openFile }),
    holdReads() {
      gate = new Promise((open) => {
        release = open
      })
    },
    releaseReads: () => release?.(),
  }
}

const CONTENT = randomBytes(2 * BLOCK_BYTES + 1000)

function contentOf({ pieces }: HeldBlock): Buffer {
  return Buffer.concat(pieces.map(({ bytes }) => bytes))
}

function blockOf(content: Buffer, index: number): Buffer {
  return content.subarray(index * BLOCK_BYTES, (index + 1) * BLOCK_BYTES)
}

describe('a verified block', () => {
  test('has exactly the bytes of the file, in pieces with memory of their own', async () => {
    const { store, image } = stage(CONTENT)
    const opened = await store.open(image)
    const blocks = await Promise.all([0, 1, 2].map((index) => opened.load(index)))
    expect(Buffer.concat(blocks.map(contentOf)).equals(CONTENT)).toBe(true)
    for (const { bytes } of blocks.flatMap(({ pieces }) => pieces)) {
      expect(bytes.buffer.byteLength).toBe(bytes.byteLength)
    }
  })

  test('is read once for all who want it at the same time, and at hand afterwards', async () => {
    const { store, image, file, holdReads, releaseReads } = stage(CONTENT)
    const users = await Promise.all([store.open(image), store.open(image), store.open(image)])
    holdReads()
    const loads = users.map((user) => user.load(0))
    releaseReads()
    await Promise.all(loads)
    expect(file.reads).toBe(1)
    expect(users[0]?.at(0)).toBeDefined()
    expect(users[0]?.at(1)).toBeUndefined()
  })

  test('of two files with the same bytes is read from the other one when the first is damaged', async () => {
    const version = versionOf(CONTENT)
    const damaged = Buffer.from(CONTENT).fill(0, 0, 10)
    let go: (() => void) | undefined
    const gate = new Promise<void>((open) => {
      go = open
    })
    const store = createBlockStore({
      cacheBytes: 64 * 1024 * 1024,
      openFile: async (name): Promise<ImageFile> => ({
        identity: version.identity,
        stat: async () => version.identity,
        async readv(buffers, position) {
          await gate
          let at = position
          for (const view of buffers) {
            const target = Buffer.from(view.buffer, view.byteOffset, view.byteLength)
            at += (name === 'whole.bin' ? CONTENT : damaged).copy(target, 0, at, at + view.byteLength)
          }
          return { bytesRead: at - position }
        },
        close: async () => undefined,
      }),
    })
    const [bad, good] = await Promise.all([
      store.open({ name: 'damaged.bin', version }),
      store.open({ name: 'whole.bin', version }),
    ])
    const loads = [bad.load(0), good.load(0)]
    go?.()
    const [first, second] = await Promise.allSettled(loads)
    expect(first).toMatchObject({ status: 'rejected', reason: { code: 'FP_IMAGE_CHANGED' } })
    expect(second?.status === 'fulfilled' && contentOf(second.value).equals(blockOf(CONTENT, 0))).toBe(true)
  })

  test('is forgotten when the cache is full', async () => {
    const { store, image } = stage(CONTENT, BLOCK_BYTES)
    const opened = await store.open(image)
    await opened.load(0)
    await opened.load(1)
    expect(opened.at(0)).toBeUndefined()
    expect(opened.at(1)).toBeDefined()
  })
})

describe('the memory of blocks', () => {
  const MANY = randomBytes(20 * BLOCK_BYTES)

  test('is used again once everybody has let go', async () => {
    const { store, image } = stage(MANY, BLOCK_BYTES)
    const opened = await store.open(image)
    const seen = new Set<ArrayBufferLike>()
    for (let index = 0; index < 20; index += 1) {
      const block = await opened.load(index)
      for (const { bytes } of block.pieces) seen.add(bytes.buffer)
      block.letGo()
    }
    // One block in the cache, and the next one that is read before it is put out.
    expect(seen.size).toBe(8)
  })

  test('keeps its bytes for whoever holds the block, whatever is read meanwhile', async () => {
    const { store, image } = stage(MANY, BLOCK_BYTES)
    const opened = await store.open(image)
    const held = await opened.load(0)
    for (let index = 1; index < 20; index += 1) (await opened.load(index)).letGo()
    expect(contentOf(held).equals(blockOf(MANY, 0))).toBe(true)
  })

  test('keeps its bytes for a write under way that outlives its block', async () => {
    const { store, image } = stage(MANY, BLOCK_BYTES)
    const opened = await store.open(image)
    const block = await opened.load(0)
    const [, second] = block.pieces
    const written = second?.hold()
    block.letGo()
    for (let index = 1; index < 20; index += 1) (await opened.load(index)).letGo()
    const expected = blockOf(MANY, 0).subarray(PIECE_BYTES, 2 * PIECE_BYTES)
    expect(second !== undefined && expected.equals(second.bytes)).toBe(true)
    written?.()
  })

  test('is let go once, however often somebody says so', async () => {
    const { store, image } = stage(MANY, BLOCK_BYTES)
    const opened = await store.open(image)
    const [one, other] = await Promise.all([opened.load(0), opened.load(0)])
    one?.letGo()
    one?.letGo()
    one?.letGo()
    for (let index = 1; index < 20; index += 1) (await opened.load(index)).letGo()
    expect(other !== undefined && contentOf(other).equals(blockOf(MANY, 0))).toBe(true)
  })

  test('under any order of loading, holding and letting go nobody sees foreign bytes', async () => {
    await fc.assert(
      fc.asyncProperty(
        fc.array(fc.record({ act: fc.constantFrom('load', 'take', 'ahead', 'let go'), index: fc.nat(19) }), {
          maxLength: 60,
        }),
        fc.integer({ min: 0, max: 3 }),
        async (steps, cachedBlocks) => {
          const { store, image } = stage(MANY, cachedBlocks * BLOCK_BYTES)
          const opened = await store.open(image)
          const held: { index: number; block: HeldBlock }[] = []
          const asked: Promise<unknown>[] = []
          for (const { act, index } of steps) {
            if (act === 'ahead') opened.readAhead(index)
            if (act === 'load') {
              asked.push(opened.load(index).then((block) => held.push({ index, block })))
              if (index % 2 === 0) await asked.at(-1)
            }
            if (act === 'take') {
              const pieces = opened.at(index)
              const holds = pieces?.map((piece) => piece.hold()) ?? []
              const letGo = () => {
                for (const one of holds) one()
              }
              if (pieces !== undefined) held.push({ index, block: { pieces, letGo } })
            }
            if (act === 'let go') held.splice(index % Math.max(1, held.length), 1)[0]?.block.letGo()
            for (const { index: at, block } of held) {
              expect(contentOf(block).equals(blockOf(MANY, at))).toBe(true)
            }
          }
          await Promise.all(asked)
          for (const { index: at, block } of held) {
            expect(contentOf(block).equals(blockOf(MANY, at))).toBe(true)
          }
        },
      ),
      { numRuns: 40 },
    )
  })
})

describe('what is refused', () => {
  test.each([0, BLOCK_BYTES - 1, BLOCK_BYTES + 77, CONTENT.length - 1])(
    'a block with byte %i changed',
    async (at) => {
      const { store, image, file } = stage(CONTENT)
      const opened = await store.open(image)
      file.content[at] = (file.content[at] ?? 0) ^ 1
      await expect(opened.load(Math.floor(at / BLOCK_BYTES))).rejects.toMatchObject({
        code: 'FP_IMAGE_CHANGED',
      })
      expect(opened.at(Math.floor(at / BLOCK_BYTES))).toBeUndefined()
    },
  )

  test('a file that was cut', async () => {
    const { store, image, file } = stage(CONTENT)
    const opened = await store.open(image)
    file.content = file.content.subarray(0, BLOCK_BYTES + 5)
    await expect(opened.load(1)).rejects.toMatchObject({ code: 'FP_IMAGE_CHANGED' })
  })

  test.each([
    ['another size', { size: 1n }],
    ['another modification time', { mtimeNs: 99n }],
    ['another inode', { ino: 99n }],
  ])('a file that has %s when it is opened', async (_what, change) => {
    const { store, image, file } = stage(CONTENT)
    file.identity = { ...file.identity, ...change }
    await expect(store.open(image)).rejects.toMatchObject({ code: 'FP_IMAGE_CHANGED' })
    expect(file.closes).toBe(1)
  })

  test('a failed opening is tried anew by the next', async () => {
    const { store, image, file } = stage(CONTENT)
    const good = file.identity
    file.identity = { ...good, size: 1n }
    await expect(store.open(image)).rejects.toMatchObject({ code: 'FP_IMAGE_CHANGED' })
    file.identity = good
    await expect(store.open(image)).resolves.toBeDefined()
  })
})

test('the descriptor stays open while a block is read, though the asker has left', async () => {
  const { store, image, file, holdReads, releaseReads } = stage(CONTENT)
  const opened = await store.open(image)
  holdReads()
  const loading = opened.load(0)
  opened.release()
  await setImmediate()
  expect(file.closes).toBe(0)
  releaseReads()
  await loading
  await expect.poll(() => file.closes).toBe(1)
})

test('one descriptor serves all users and is closed when the last one leaves', async () => {
  const { store, image, file } = stage(CONTENT)
  const [first, second] = await Promise.all([store.open(image), store.open(image)])
  first?.release()
  first?.release()
  expect(file).toMatchObject({ opens: 1, closes: 0 })
  await second?.load(0)
  second?.release()
  await expect.poll(() => file.closes).toBe(1)
  await store.open(image)
  expect(file.opens).toBe(2)
})

test('a file that was changed under its old time is not given to one more, who would begin in vain', async () => {
  const { store, image, file } = stage(CONTENT)
  const first = await store.open(image)
  await first.load(0)
  file.identity = { ...file.identity, ctimeNs: 2n }
  await expect(store.open(image)).rejects.toMatchObject({ code: 'FP_IMAGE_CHANGED' })
  first.release()
  await setImmediate()
  expect(file).toMatchObject({ opens: 1, closes: 1 })
})

test('a file that is replaced while it is being opened has changed; it is not said to be unreadable', async () => {
  const store = createBlockStore({
    cacheBytes: 1024,
    async openFile() {
      throw new FetchproofError('FP_IMAGE_CHANGED', { image: '/folder/a.bin' })
    },
  })
  const opening = store.open({ name: 'a.bin', version: versionOf(Buffer.from('abc')) })
  await expect(opening).rejects.toMatchObject({ code: 'FP_IMAGE_CHANGED', fields: { image: 'a.bin' } })
})
