/**
 * What is found in a ledger file when it is opened for writing.
 *
 * Torn and edited are told apart by the newline. A line is written with its newline in one call, so what a power
 * loss leaves of the last second is a piece without one: a line cut short, zeros where the length was on disk
 * before the bytes (some file systems do that), or both. That piece is set aside. A line that does end with a
 * newline was whole once; when it fails its check it was changed, and the ledger is broken, the last line too. In
 * doubt (zeros with whole lines after them) broken is said: nothing is then touched, and a person looks.
 */
import { constants } from 'node:fs'
import { open } from 'node:fs/promises'
import { dirname, join } from 'node:path'
import { FetchproofError, isFetchproofError, systemCode } from '../errors.ts'
import { NO_LINK } from '../files/regular-file.ts'
import { createPassing } from '../lists-by-key.ts'
import type { Entry } from './entries.ts'
import { emptyChain, linesAfter, takeGood } from './read.ts'

const TORN_PREFIX = 'ledger.torn-'
const COPY_BYTES = 1024 * 1024

export interface FoundLedger {
  readonly entries: number
  readonly sum: string
  /** Bytes of whole lines. */
  readonly length: number
  /** After them; 0 as a rule. */
  readonly tornBytes: number
  /** Greatest id of a fetch or a refusal; 0 when there was none. */
  readonly lastFetchId: number
  /** Fetches that have begun and have no ending, in order of their beginning. */
  readonly openFetches: readonly number[]
}

/** Checks the whole chain, showing each entry. An absent file is an empty ledger. Throws FP_LEDGER_BROKEN. */
export async function readBack(file: string, onEntry: (entry: Entry) => void): Promise<FoundLedger> {
  const chain = emptyChain()
  const openFetches = createPassing<number, number>()
  let lastFetchId = 0
  const take = (entry: Entry): void => {
    if (entry.kind === 'fetch-begun') openFetches.set(entry.id, entry.id)
    if (entry.kind === 'fetch-ended') openFetches.take(entry.id)
    if (entry.kind === 'fetch-begun' || entry.kind === 'fetch-refused')
      lastFetchId = Math.max(lastFetchId, entry.id)
    onEntry(entry)
  }
  try {
    for await (const batch of linesAfter(file, chain)) {
      takeGood(batch, chain, take)
      if (chain.firstBad !== undefined) break
    }
  } catch (error) {
    if (!isFetchproofError(error, 'FP_LEDGER_MISSING')) throw error
  }
  const { entries, sum, offset, tornBytes, firstBad } = chain
  if (firstBad !== undefined) throw new FetchproofError('FP_LEDGER_BROKEN', { file, ...firstBad })
  return { entries, sum, length: offset, tornBytes, lastFetchId, openFetches: openFetches.values() }
}

/** Copies what stands behind `length` to `ledger.torn-<time>` beside the ledger, then cuts it off. Returns the new file's name. */
export async function setTornTailAside(file: string, length: number, at: number): Promise<string> {
  // No colons: Windows allows none in a name.
  const time = new Date(at).toISOString().replaceAll(/[:.-]/g, '')
  const ledger = await open(file, constants.O_RDWR | NO_LINK)
  try {
    const { name, handle } = await createNew(dirname(file), TORN_PREFIX + time)
    try {
      const buffer = Buffer.allocUnsafe(COPY_BYTES)
      for (let from = length; ; ) {
        const { bytesRead } = await ledger.read(buffer, 0, COPY_BYTES, from)
        if (bytesRead === 0) break
        await handle.writeFile(buffer.subarray(0, bytesRead))
        from += bytesRead
      }
      await handle.sync()
    } finally {
      await handle.close()
    }
    await ledger.truncate(length)
    await ledger.sync()
    return name
  } finally {
    await ledger.close()
  }
}

async function createNew(folder: string, wanted: string) {
  for (let count = 1; ; count += 1) {
    const name = count === 1 ? wanted : `${wanted}-${count}`
    try {
      return { name, handle: await open(join(folder, name), 'wx') }
    } catch (error) {
      if (systemCode(error) !== 'EEXIST') throw error
    }
  }
}
