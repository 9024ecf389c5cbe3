/** Texts with published checksums that go, or cannot be read, while they are being looked at. */
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest'
import { createChecksumFiles } from '../../server/staging/checksum-files.ts'
import { SILENT_JUDGE } from './silent-judge.ts'

const SUMS = { name: 'SHA256SUMS', identity: identity(1n), modifiedMs: 0 }
const GROWN = { ...SUMS, identity: identity(2n) }
let answers: (() => boolean)[]
let rejudged: number
let rejudging: Promise<unknown> | undefined
let said: string[]
let files: ReturnType<typeof createChecksumFiles>

function identity(size: bigint) {
  return { dev: 1n, ino: 1n, size, mtimeNs: size, ctimeNs: size }
}

function fails(code: string): () => never {
  return () => {
    throw Object.assign(new Error(code), { code })
  }
}

beforeEach(() => {
  vi.useFakeTimers()
  answers = []
  rejudged = 0
  rejudging = undefined
  said = []
  files = createChecksumFiles({
    judge: { ...SILENT_JUDGE, checksumFileChanged: async () => answers.shift()?.() },
    rejudge: async () => {
      rejudged += 1
      await rejudging
    },
    onTrouble: (message) => said.push(message),
  })
})
afterEach(() => {
  vi.useRealTimers()
})

async function settled(): Promise<void> {
  const done = files.settled()
  await vi.advanceTimersByTimeAsync(100)
  await done
}

describe('a checksum file', () => {
  it.each(['comes', 'goes'])('that %s while the images are judged has them judged once more', async (how) => {
    answers = [() => true, () => true]
    let judged = () => {}
    rejudging = new Promise<void>((resolve) => {
      judged = resolve
    })
    files.seen(SUMS)
    await vi.advanceTimersByTimeAsync(100)
    expect(rejudged).toBe(1)
    if (how === 'comes') files.seen({ ...GROWN, name: 'MD5SUMS' })
    else files.gone(SUMS.name)
    await vi.advanceTimersByTimeAsync(100)
    judged()
    await settled()
    expect(rejudged).toBe(2)
  })

  it('that went between two looks at it and their reading has the images judged again, without a word', async () => {
    answers = [() => true, fails('ENOENT')]
    files.seen(SUMS)
    await settled()
    files.seen(GROWN)
    await Promise.resolve()
    files.gone(SUMS.name)
    await settled()
    expect([rejudged, said]).toEqual([2, []])
  })

  it('that was read before it was known to be gone has the images judged again, without a word', async () => {
    answers = [() => true, fails('ENOENT')]
    files.seen(SUMS)
    await settled()
    files.seen(GROWN)
    await settled()
    files.gone(SUMS.name)
    await settled()
    expect([rejudged, said]).toEqual([2, []])
  })

  it('that cannot be read any more has the images judged again, once, and is said once', async () => {
    answers = [() => true, fails('EBUSY'), fails('EBUSY'), fails('EBUSY')]
    for (const sight of [SUMS, GROWN, GROWN, GROWN]) {
      files.seen(sight)
      await settled()
    }
    expect(rejudged).toBe(2)
    expect(said).toEqual([expect.stringMatching(/SHA256SUMS could not be read.*EBUSY/)])
  })
})
