/** Fuzzing of a running server: many requests over bare sockets, each answer held against the same rules. */
import fc from 'fast-check'
import { expect } from 'vitest'
import type { Entry } from '../../server/ledger/entries.ts'
import {
  imageBytes,
  ledgerEntries,
  type ServedProgram,
  serveFiles,
  sha256,
  type Until,
} from '../clients/served.ts'
import { inProcess } from '../commands/in-process.ts'
import { type Answer, checkedAnswers, checkMeaning } from './answer-check.ts'
import { descriptors, LATE_DESCRIPTORS, residentKib, untilAtMost } from './process-facts.ts'
import { type Fuzzed, type FuzzImage, fuzzedRequest } from './request-grammar.ts'
import { say } from './saying.ts'

const AT_ONCE = 24
const GROWTH_KIB = 160 * 1024

/** Of one byte, of less and of more than a block, and of one byte more than a block. */
const FILES = {
  'one.bin': imageBytes(1, 'one'),
  'core.bin': imageBytes(20_000, 'core'),
  'sub/deep.bin': imageBytes(262_145, 'deep'),
}

/** Serves, fuzzes with at least `count` requests, and checks ledger and system afterwards. Prints the seed. */
export async function fuzz(count: number, seed: number, cleanUp: Until): Promise<void> {
  const served = await serveFiles(FILES, { cleanUp })
  const images = Object.entries(FILES).map(
    ([name, bytes]): FuzzImage => ({ path: `/${name}`, bytes, etag: `"${sha256(bytes)}"` }),
  )
  const before = { descriptors: descriptors(served), kib: residentKib(served) }
  const seen = { requests: 0, answered: 0, bodies: new Set<number>() }

  function judged(fuzzed: Fuzzed, raw: Buffer): Answer[] {
    try {
      const answers = checkedAnswers(raw, images)
      checkMeaning(fuzzed, raw, answers, images)
      return answers
    } catch (error) {
      throw new Error(
        `${JSON.stringify(fuzzed)} got ${JSON.stringify(raw.toString('latin1').slice(0, 600))}`,
        {
          cause: error,
        },
      )
    }
  }

  async function tryOne(fuzzed: Fuzzed): Promise<void> {
    const { port, raw } = await say(served.port, fuzzed)
    const answers = judged(fuzzed, raw)
    seen.requests += 1
    seen.answered += answers.length
    if (answers.some(({ hasBody, status }) => hasBody && status === 206)) seen.bodies.add(port)
    if (served.process.exitCode !== null)
      throw new Error(`the server ended with ${served.process.exitCode}: ${served.stderr()}`)
  }

  const several = fc.array(fuzzedRequest(images), { minLength: AT_ONCE, maxLength: AT_ONCE })
  await fc.assert(
    fc.asyncProperty(several, async (requests) => {
      await Promise.all(requests.map(tryOne))
    }),
    { seed, numRuns: Math.ceil(count / AT_ONCE) },
  )
  expect(seen.requests).toBeGreaterThanOrEqual(count)
  await untilAtMost(() => descriptors(served), before.descriptors + LATE_DESCRIPTORS, 'descriptors')
  await untilAtMost(() => residentKib(served) - before.kib, GROWTH_KIB, 'KiB more than before')
  expect(await served.stop()).toBe(0)
  await checkLedger(served, seen)
}

async function checkLedger(
  served: ServedProgram,
  seen: { readonly requests: number; readonly answered: number; readonly bodies: ReadonlySet<number> },
): Promise<void> {
  expect(await inProcess(['audit', served.folder, '--check'])).toMatchObject({ status: 0 })
  expect(served.otherLines).toEqual([])
  const entries = ledgerEntries(served.folder)
  const begun = entries.filter((entry) => entry.kind === 'fetch-begun')
  const ended = new Set(entries.flatMap((entry) => (entry.kind === 'fetch-ended' ? [entry.id] : [])))
  expect(begun.filter(({ id }) => !ended.has(id))).toEqual([])
  const ports = new Set(begun.map(({ client }) => client.port))
  expect([...seen.bodies].filter((port) => !ports.has(port))).toEqual([])
  expect(recorded(entries)).toBeGreaterThanOrEqual(seen.answered)
}

function recorded(entries: readonly Entry[]): number {
  return entries.reduce((sum, entry) => {
    if (entry.kind === 'fetch-begun') return sum + 1
    return entry.kind === 'fetch-refused' ? sum + (entry.count ?? 1) : sum
  }, 0)
}
