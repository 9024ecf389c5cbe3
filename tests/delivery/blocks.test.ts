import { createHash, randomBytes } from 'node:crypto'
import { describe, expect, test } from 'vitest'
import { createBlockStore, PIECE_BYTES } from '../../server/delivery/blocks.ts'
import type { ImageFile } from '../../server/delivery/image-file.ts'
import type { Version } from '../../server/staging/image.ts'

const BLOCK_BYTES = 4 * PIECE_BYTES
const IDENTITY = { dev: 1n, ino: 2n, size: 0n, mtimeNs: 3n }

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

describe('a verified block', () => {
  test('has exactly the bytes of the file, in pieces with memory of their own', async () => {
    const { store, image } = stage(CONTENT)
    const opened = await store.open(image)
    const blocks = await Promise.all([0, 1, 2].map((index) => opened.load(index)))
    expect(Buffer.concat(blocks.flat()).equals(CONTENT)).toBe(true)
    for (const piece of blocks.flat()) expect(piece.buffer.byteLength).toBe(piece.byteLength)
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

  test('is forgotten when the cache is full', async () => {
    const { store, image } = stage(CONTENT, BLOCK_BYTES)
    const opened = await store.open(image)
    await opened.load(0)
    await opened.load(1)
    expect(opened.at(0)).toBeUndefined()
    expect(opened.at(1)).toBeDefined()
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
