import { execFileSync } from 'node:child_process'
import { createHash, randomBytes } from 'node:crypto'
import { getEventListeners } from 'node:events'
import { readFileSync } from 'node:fs'
import { appendFile, truncate, writeFile } from 'node:fs/promises'
import { fileURLToPath } from 'node:url'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { openInside } from '../../server/files/folder.ts'
import { BLOCK_BYTES } from '../../server/staging/digest-threads.ts'
import { createDigests, type Digests } from '../../server/staging/digests.ts'
import { needs } from '../needs.ts'
import { type Stage, stage } from './stage.ts'

const MIB = 1024 * 1024
let place: Stage
let digests: Digests
beforeEach(async () => {
  place = await stage()
  digests = createDigests()
})
afterEach(async () => {
  await digests.close()
  await place.close()
})

const order = (name: string, bytes: number) => ({
  bytes,
  open: () => openInside(place.folder, place.path(name)),
})

async function read(name: string, content: Uint8Array) {
  await writeFile(place.path(name), content)
  const result = await digests.read(order(name, content.length))
  if (result.kind !== 'done') throw new Error(result.kind)
  return result.value
}

function blocksOf(content: Uint8Array): string {
  const digest = createHash('sha256')
  for (let at = 0; at < content.length; at += BLOCK_BYTES) {
    digest.update(
      createHash('sha256')
        .update(content.subarray(at, at + BLOCK_BYTES))
        .digest(),
    )
  }
  return digest.digest('hex')
}

// The vectors' file names its source: NIST CAVP, SHA-256 short messages.
const vectors = readFileSync(fileURLToPath(new URL('../vectors/sha256-short.rsp', import.meta.url)), 'utf8')
const cases = [...vectors.matchAll(/Len = (\d+)\s+Msg = ([0-9a-f]*)\s+MD = ([0-9a-f]{64})/g)]

describe('one reading of a file', () => {
  it.each([
    ['none', [1000], [0, 0]],
    ['some at its end', [5000, -3000], [3000, 0]],
    ['pages at its end and in the middle', [4096, -8192, 4096, -8192 - 5], [8197, 8192 + 8192 + 5]],
    ['pages that do not begin where pages do', [10, -8192, 10], [0, 4096]],
    [
      'more at its end than is read at once',
      [300_000, -(2 * MIB + 300)],
      [2 * MIB + 300, 2 * MIB - 3104 + 300],
    ],
    ['nothing else', [-(MIB + 7)], [MIB + 7, MIB + 7]],
  ] as const)('counts its zeros: %s', async (_what, runs, [zerosAtEnd, zeroPageBytes]) => {
    const content = Buffer.concat(runs.map((bytes) => Buffer.alloc(Math.abs(bytes), bytes < 0 ? 0 : 7)))
    expect((await read('a.bin', content)).filling).toMatchObject({ zerosAtEnd, zeroPageBytes })
  })

  it('gives the SHA-256 of every published short message', async () => {
    expect(cases.length).toBeGreaterThan(4)
    for (const [, bits, message, digest] of cases) {
      const content = Buffer.from(message ?? '', 'hex').subarray(0, Number(bits) / 8)
      expect((await read('vector.bin', content)).sha256).toBe(digest)
    }
  })

  it('gives the CRC-32 check value cbf43926 for "123456789" (common practice)', async () => {
    expect((await read('check.bin', Buffer.from('123456789'))).crc32).toBe('cbf43926')
  })

  it('gives an empty block list for an empty file', async () => {
    const value = await read('empty.bin', new Uint8Array())
    expect(value.blocks).toHaveLength(0)
    expect(value.crc32).toBe('00000000')
    expect(value.blocksSha256).toBe(createHash('sha256').digest('hex'))
  })

  it.each([1, BLOCK_BYTES - 1, BLOCK_BYTES, BLOCK_BYTES + 1, MIB, 3 * MIB + 17])(
    'digests whole and blocks of %i bytes on one thread',
    async (bytes) => {
      const content = randomBytes(bytes)
      const value = await read('x.bin', content)
      expect(value.sha256).toBe(createHash('sha256').update(content).digest('hex'))
      expect(value.blocks).toHaveLength(Math.ceil(bytes / BLOCK_BYTES) * 32)
      expect(value.blocksSha256).toBe(blocksOf(content))
      expect(value.bytes).toBe(bytes)
    },
  )

  it.each([40 * MIB, 33 * MIB + 1, 47 * MIB + BLOCK_BYTES])(
    'digests whole and blocks of %i bytes on two threads, as coreutils and openssl do',
    needs('sha256sum', 'openssl'),
    async (bytes) => {
      const content = randomBytes(bytes)
      const value = await read('large.bin', content)
      const coreutils = execFileSync('sha256sum', [place.path('large.bin')], { encoding: 'utf8' })
      const openssl = execFileSync('openssl', ['dgst', '-sha256', place.path('large.bin')], {
        encoding: 'utf8',
      })
      expect(value.sha256).toBe(coreutils.slice(0, 64))
      expect(value.sha256).toBe(openssl.trim().slice(-64))
      expect(value.blocksSha256).toBe(blocksOf(content))
    },
  )

  it('gives further algorithms as coreutils and openssl do', async () => {
    await writeFile(place.path('x.bin'), randomBytes(2 * MIB + 3))
    const algorithms = ['md5', 'sha1', 'sha224', 'sha384', 'sha512']
    const result = await digests.more({ ...order('x.bin', 2 * MIB + 3), algorithms })
    if (result.kind !== 'done') throw new Error(result.kind)
    for (const algorithm of algorithms) {
      const printed = execFileSync(`${algorithm}sum`, [place.path('x.bin')], { encoding: 'utf8' })
      expect(result.value.digests[algorithm]).toBe(printed.split(' ')[0])
    }
  })
})

describe('a file that moves while it is read', () => {
  it.each([5 * MIB, 64 * MIB])('is noticed when it grows (%i bytes)', async (bytes) => {
    await writeFile(place.path('x.bin'), Buffer.alloc(bytes))
    const result = await digests.read({
      bytes,
      open: async () => {
        const file = await openInside(place.folder, place.path('x.bin'))
        await appendFile(place.path('x.bin'), 'more')
        return file
      },
    })
    expect(result).toEqual({ kind: 'changed' })
  })

  it.each([5 * MIB, 64 * MIB])('is noticed when it is cut short (%i bytes)', async (bytes) => {
    await writeFile(place.path('x.bin'), Buffer.alloc(bytes))
    const result = await digests.read({
      bytes,
      open: async () => {
        const file = await openInside(place.folder, place.path('x.bin'))
        await truncate(place.path('x.bin'), bytes / 2)
        return file
      },
    })
    expect(result).toEqual({ kind: 'changed' })
  })
})

describe('the queue', () => {
  it('lets a small file pass while a large one is read', async () => {
    await writeFile(place.path('large.bin'), Buffer.alloc(200 * MIB))
    await writeFile(place.path('small.bin'), 'x')
    const done: string[] = []
    const large = digests.read(order('large.bin', 200 * MIB)).then(() => done.push('large'))
    await digests.read(order('small.bin', 1)).then(() => done.push('small'))
    await large
    expect(done).toEqual(['small', 'large'])
  })

  it('left a listener on the signal for each reading, so that a file that stayed locked brought a warning', async () => {
    const { signal } = new AbortController()
    for (let time = 0; time < 3; time += 1) {
      await expect(digests.read({ ...order('not-there.bin', 1), signal })).rejects.toThrow()
    }
    expect(getEventListeners(signal, 'abort')).toEqual([])
  })

  it('takes the smallest that waits', async () => {
    const done: number[] = []
    await writeFile(place.path('x.bin'), Buffer.alloc(3 * MIB))
    // The first begins at once; the order of the others is the queue's. The sizes told rule the order.
    await Promise.all(
      [50, 90, 60, 80, 70].map((size) =>
        digests.read(order('x.bin', size * MIB)).then(() => done.push(size)),
      ),
    )
    expect(done).toEqual([50, 60, 70, 80, 90])
  })

  it('opens files only when their turn has come', async () => {
    await writeFile(place.path('x.bin'), Buffer.alloc(MIB))
    let open = 0
    let most = 0
    await Promise.all(
      Array.from({ length: 50 }, () =>
        digests.read({
          bytes: MIB,
          open: async () => {
            const file = await openInside(place.folder, place.path('x.bin'))
            open += 1
            most = Math.max(most, open)
            return {
              ...file,
              close: () => {
                open -= 1
                return file.close()
              },
            }
          },
        }),
      ),
    )
    expect(most).toBeLessThanOrEqual(4)
    expect(open).toBe(0)
  })

  it.each([20 * MIB, 300 * MIB])(
    'gives up when it is told to, running or waiting (%i bytes)',
    async (bytes) => {
      await writeFile(place.path('x.bin'), '')
      await truncate(place.path('x.bin'), bytes)
      const running = new AbortController()
      const waiting = new AbortController()
      const first = digests.read({
        bytes,
        signal: running.signal,
        open: async () => {
          const file = await openInside(place.folder, place.path('x.bin'))
          setTimeout(() => running.abort(), 5)
          return file
        },
      })
      const second = digests.read({ ...order('x.bin', bytes), signal: waiting.signal })
      waiting.abort()
      expect(await second).toEqual({ kind: 'cancelled' })
      expect(await first).toEqual({ kind: 'cancelled' })
      // The threads are as good as new.
      expect((await read('y.bin', Buffer.from('123456789'))).crc32).toBe('cbf43926')
    },
  )

  it('sets a background digest back for an urgent one, and finishes both', async () => {
    await writeFile(place.path('large.bin'), '')
    await truncate(place.path('large.bin'), 400 * MIB)
    await writeFile(place.path('small.bin'), 'abc')
    const done: string[] = []
    let begun: () => void = () => {}
    const opened = new Promise<void>((resolve) => {
      begun = resolve
    })
    const background = digests
      .more({
        bytes: 400 * MIB,
        algorithms: ['md5'],
        open: () => {
          begun()
          return openInside(place.folder, place.path('large.bin'))
        },
      })
      .then((result) => {
        done.push('background')
        return result
      })
    await opened
    const urgent = await digests.more({ ...order('small.bin', 3), algorithms: ['md5'], urgent: true })
    done.push('urgent')
    expect((await background).kind).toBe('done')
    expect(done).toEqual(['urgent', 'background'])
    // RFC 1321 A.5: MD5 ("abc")
    expect(urgent).toMatchObject({ value: { digests: { md5: '900150983cd24fb0d6963f7d28e17f72' } } })
  })

  it('takes background digests only when nothing waits for its first reading', async () => {
    await writeFile(place.path('large.bin'), Buffer.alloc(100 * MIB))
    await writeFile(place.path('small.bin'), 'abc')
    const done: string[] = []
    const first = digests.read(order('large.bin', 100 * MIB)).then(() => done.push('read'))
    const background = digests
      .more({ ...order('small.bin', 3), algorithms: ['md5'] })
      .then(() => done.push('background'))
    const urgent = digests
      .more({ ...order('small.bin', 3), algorithms: ['md5'], urgent: true })
      .then(() => done.push('urgent'))
    await Promise.all([first, background, urgent])
    expect(done).toEqual(['urgent', 'read', 'background'])
  })

  it('reports progress at most ten times a second, rising', async () => {
    await writeFile(place.path('x.bin'), '')
    await truncate(place.path('x.bin'), 600 * MIB)
    const shares: number[] = []
    const beganMs = performance.now()
    await digests.read({ ...order('x.bin', 600 * MIB), onProgress: (share) => shares.push(share) })
    expect(shares.length).toBeGreaterThan(0)
    expect(shares.length).toBeLessThanOrEqual((performance.now() - beganMs) / 100 + 1)
    expect(shares).toEqual([...shares].sort((a, b) => a - b))
    expect(Math.max(...shares)).toBeLessThanOrEqual(1)
  })

  it('says what the system said when a file cannot be opened, and goes on', async () => {
    await expect(digests.read(order('none.bin', 1))).rejects.toMatchObject({ code: 'ENOENT' })
    expect((await read('y.bin', Buffer.from('123456789'))).crc32).toBe('cbf43926')
  })

  it('ends what is under way when it is closed, twice if need be', async () => {
    await writeFile(place.path('x.bin'), '')
    await truncate(place.path('x.bin'), 300 * MIB)
    const results = [digests.read(order('x.bin', 300 * MIB)), digests.read(order('x.bin', 300 * MIB))]
    await digests.close()
    await digests.close()
    expect(await Promise.all(results)).toEqual([{ kind: 'cancelled' }, { kind: 'cancelled' }])
  })

  it('reports a thread that cannot start instead of waiting for it', async () => {
    const broken = createDigests({ workerFile: place.path('absent.js') })
    await writeFile(place.path('x.bin'), 'x')
    await expect(broken.read(order('x.bin', 1))).rejects.toThrow(/absent/)
    await broken.close()
  })
})
