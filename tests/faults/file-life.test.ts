/**
 * Faults at each boundary of a file's life: stat, open, read, judge, listener, store. A thousand files, each with
 * faults of its own by its seed, beside good ones: none of them may end the program (an unhandled rejection fails the
 * run), keep a good file from being offered, or stay as it is once its faults are over.
 */
import { createHash } from 'node:crypto'
import { closeSync, mkdirSync, openSync, rmSync, statSync, writeFileSync } from 'node:fs'
import { basename, join } from 'node:path'
import { afterEach, beforeEach, expect, it } from 'vitest'
import { FILE_ACCESS, type FileAccess } from '../../server/files/file-access.ts'
import type { Catalogue } from '../../server/staging/catalogue.ts'
import type { Image } from '../../server/staging/image.ts'
import type { Judge } from '../../server/staging/judge.ts'
import { SILENT_JUDGE } from '../staging/silent-judge.ts'
import { type Stage, stage } from '../staging/stage.ts'
import { createRandom, type Random } from '../truth/random.ts'

const SEEDS = 1_000
const GOOD = 20
const BOUNDARIES = ['stat', 'odd stat', 'open', 'read', 'moved', 'judge', 'listener'] as const
type Boundary = (typeof BOUNDARIES)[number]
const CODES = ['EIO', 'EACCES', 'EPERM', 'EBUSY', 'ESTALE', 'EMFILE', 'ENOENT', 'ELOOP', 'EUNKNOWN'] as const

let place: Stage
beforeEach(async () => {
  place = await stage()
})
afterEach(() => place.close())

interface Faults {
  /** True as often as the seed says for this file and boundary, then never again. */
  due(name: string, boundary: Boundary): boolean
  /** A system's error, or one that no system gives. */
  error(name: string): Error
  readonly struck: ReadonlyMap<Boundary, number>
}

function createFaults(): Faults {
  const left = new Map<string, number>()
  const chance = new Map<string, Random>()
  const struck = new Map<Boundary, number>()
  const seedOf = (name: string): string | undefined => /^faulty-(\d+)\.bin$/.exec(name)?.[1]
  const randomOf = (seed: string): Random => {
    const random = chance.get(seed) ?? createRandom(`file life ${seed}`)
    chance.set(seed, random)
    return random
  }
  return {
    struck,
    due(name, boundary) {
      const seed = seedOf(name)
      if (seed === undefined) return false
      const key = `${seed} ${boundary}`
      const random = randomOf(seed)
      const now = left.get(key) ?? (random.chance(0.35) ? random.whole(1, 3) : 0)
      left.set(key, Math.max(0, now - 1))
      if (now > 0) struck.set(boundary, (struck.get(boundary) ?? 0) + 1)
      return now > 0
    },
    error(name) {
      const random = randomOf(seedOf(name) ?? '')
      if (random.chance(0.2)) return new RangeError('Invalid time value')
      const code = random.pick(CODES)
      return Object.assign(new Error(`${code}: made`), { code })
    },
  }
}

/** The files' calls with faults in them. */
function faultyFiles(faults: Faults): FileAccess {
  return {
    ...FILE_ACCESS,
    async lstat(path) {
      const name = basename(path)
      if (faults.due(name, 'stat')) throw faults.error(name)
      const stats = await FILE_ACCESS.lstat(path)
      if (faults.due(name, 'odd stat')) {
        Object.assign(stats, { ino: -stats.ino, mtimeNs: 99_999_999_999_999_000_000_000n, dev: -1n })
      }
      return stats
    },
    async open(folder, file, mayOpen) {
      const name = basename(file)
      if (faults.due(name, 'open')) throw faults.error(name)
      const opened = await FILE_ACCESS.open(folder, file, mayOpen)
      if (faults.due(name, 'moved')) {
        return { ...opened, stat: async () => ({ ...opened.identity, mtimeNs: 1n }) }
      }
      if (!faults.due(name, 'read')) return opened
      // Reading a folder's descriptor fails with EISDIR, in the digest thread too.
      const fd = openSync(folder, 'r')
      const close = async (): Promise<void> => {
        await opened.close()
        closeSync(fd)
      }
      return { ...opened, fd, close }
    },
  }
}

function faultyJudge(faults: Faults): Judge {
  return {
    ...SILENT_JUDGE,
    async judge(input) {
      if (faults.due(input.name, 'judge')) throw faults.error(input.name)
      return SILENT_JUDGE.judge(input)
    },
  }
}

function listenBadly(catalogue: Catalogue, faults: Faults): void {
  const fail = ({ name }: Image): void => {
    if (faults.due(name, 'listener')) throw faults.error(name)
  }
  catalogue.events.on('changed', fail).on('judged', fail).on('lost', fail).on('gone', fail)
}

const contentOf = (name: string): string => `${name} holds this`
const goodNames = Array.from({ length: GOOD }, (_none, at) => `good-${at}.bin`)

async function idle(catalogue: Catalogue, fits: () => boolean): Promise<void> {
  await expect.poll(fits, { timeout: 60_000, interval: 100 }).toBe(true)
  await catalogue.idle()
}

it(`${SEEDS} files with faults at each boundary of their lives end nothing, and keep no other file from being offered`, async () => {
  const names = [...goodNames, ...Array.from({ length: SEEDS }, (_none, seed) => `faulty-${seed}.bin`)]
  for (const name of names) writeFileSync(place.path(name), contentOf(name))
  // The store cannot be written either, at first.
  const store = place.path('.fetchproof/catalogue.json')
  mkdirSync(join(store, 'in the way'), { recursive: true })
  const faults = createFaults()
  const catalogue = await place.open({ files: faultyFiles(faults), judge: faultyJudge(faults) })
  const troubles: string[] = []
  catalogue.events.on('trouble', (message) => troubles.push(message))
  listenBadly(catalogue, faults)
  await idle(catalogue, () => goodNames.every((name) => catalogue.get(name)?.state === 'ready'))
  rmSync(store, { recursive: true })
  // What failed for a while is offered in the end; what could not be judged is held, which a person can lift.
  const ended = (name: string): boolean => {
    const image = catalogue.get(name)
    return image?.state === 'ready' || image?.hold?.reasons[0]?.cause === 'unchecked'
  }
  await idle(catalogue, () => names.every(ended))
  for (const name of names) {
    const expected = createHash('sha256').update(contentOf(name)).digest('hex')
    expect([name, catalogue.get(name)?.version?.sha256]).toEqual([name, expected])
  }
  for (const boundary of BOUNDARIES) {
    expect([boundary, (faults.struck.get(boundary) ?? 0) > 100]).toEqual([boundary, true])
  }
  expect(troubles.filter((message) => message.startsWith('A fault of this program')).length).toBeGreaterThan(
    0,
  )
  await expect
    .poll(() => statSync(store, { throwIfNoEntry: false })?.isFile(), { timeout: 60_000 })
    .toBe(true)
}, 180_000)
