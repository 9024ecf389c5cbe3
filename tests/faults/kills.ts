/**
 * kill -9 at a moment of chance, under load, again and again over one ledger. What must hold after each restart: every
 * fetch that was begun has an ending, or `lost-track` as one; the chain is intact; every entry that `serve --format
 * json` had printed is still there, byte for byte, before and after the restart; it had printed nothing else; the dead
 * server's lock is taken over; no number is given twice; `audit` says all that too.
 */
import { setTimeout as pause } from 'node:timers/promises'
import { onTestFinished } from 'vitest'
import type { Entry, EntryOf } from '../../server/ledger/entries.ts'
import { checkLedger } from '../../server/ledger/read.ts'
import { ask, type RawClient, request } from '../clients/raw-client.ts'
import { imageBytes, ledgerEntries, ledgerFile, serveFolder, stagingFolder } from '../clients/served.ts'
import { audit } from '../commands/in-process.ts'
import { createRandom } from '../truth/random.ts'

const IMAGES = {
  'small.bin': imageBytes(64_000, 'kills, small'),
  'large.bin': imageBytes(8 * 1024 * 1024, 'kills, large'),
}
const LOADERS = 6

export interface Killed {
  readonly kills: number
  /** Entries that were printed and are not in the ledger as they were printed. */
  readonly lost: readonly Entry[]
  /** Fetches begun in a run that was killed, without any ending after the next start. */
  readonly withoutEnding: readonly number[]
  readonly numbersTwice: readonly number[]
  readonly chainsBroken: readonly number[]
  /** Lines on standard output that are no entries. */
  readonly otherLines: readonly string[]
  readonly delivered: number
  readonly lostTrack: number
  readonly printed: number
}

/** `seed` decides when each kill comes; what had happened by then is up to the machine. */
export async function killAgainAndAgain(kills: number, seed: string): Promise<Killed> {
  const random = createRandom(seed)
  const folder = await stagingFolder(IMAGES, onTestFinished)
  const printed = new Map<number, Entry>()
  const chainsBroken: number[] = []
  const otherLines: string[] = []
  const lost: Entry[] = []
  for (let kill = 1; kill <= kills; kill += 1) {
    const served = await serveFolder(folder, { cleanUp: onTestFinished })
    const load = startLoad(served.port)
    await served.entry('fetch-begun')
    await pause(random.whole(0, 800))
    await served.kill()
    await load.stop()
    for (const entry of served.entries) printed.set(entry.seq, entry)
    otherLines.push(...served.otherLines)
    lost.push(...missingFrom(ledgerEntries(folder), printed))
    const checked = await checkLedger(ledgerFile(folder))
    // A line cut short by the kill is no break: the next start sets it aside.
    if (checked.firstBad !== undefined && checked.tornBytes === 0) chainsBroken.push(kill)
  }
  const last = await serveFolder(folder, { cleanUp: onTestFinished })
  if ((await last.stop()) !== 0) throw new Error(`the last run did not end in order: ${last.stderr()}`)
  if (!(await checkLedger(ledgerFile(folder))).intact) chainsBroken.push(kills + 1)
  const entries = ledgerEntries(folder)
  lost.push(...missingFrom(entries, printed))
  const { ledger, fetches } = await audit(folder)
  if (!ledger.intact || ledger.entries !== entries.length) chainsBroken.push(kills + 1)
  const open = fetches.filter(({ ending }) => ending === null).map(({ id }) => Number(id))
  return { kills, lost, chainsBroken, otherLines, printed: printed.size, ...found(entries, open) }
}

/** What had been printed and is not in the ledger as it was printed. */
function missingFrom(entries: readonly Entry[], printed: ReadonlyMap<number, Entry>): Entry[] {
  const sums = new Map(entries.map(({ seq, sum }) => [seq, sum]))
  return [...printed.values()].filter(({ seq, sum }) => sums.get(seq) !== sum)
}

/** `open`: fetches that the audit calls under way. */
function found(
  entries: readonly Entry[],
  open: readonly number[],
): Pick<Killed, 'withoutEnding' | 'numbersTwice' | 'delivered' | 'lostTrack'> {
  const begun = entries.flatMap((entry) => (entry.kind === 'fetch-begun' ? [entry.id] : []))
  const endings = entries.filter((entry): entry is EntryOf<'fetch-ended'> => entry.kind === 'fetch-ended')
  const ended = new Set(endings.map(({ id }) => id))
  const count = (ending: string): number => endings.filter((entry) => entry.ending === ending).length
  return {
    withoutEnding: [...begun.filter((id) => !ended.has(id)), ...open],
    numbersTwice: [...begun, ...endings.map(({ id }) => -id)].filter((id, at, all) => all.indexOf(id) !== at),
    delivered: count('delivered'),
    lostTrack: count('lost-track'),
  }
}

/** Clients that pull, some whole, some breaking off, some not reading, until they are told to stop. */
function startLoad(port: number): { stop(): Promise<void> } {
  const stopping = new AbortController()
  const open = new Set<RawClient>()
  const loaders = Array.from({ length: LOADERS }, async (_, which) => {
    while (!stopping.signal.aborted) {
      try {
        const client = await ask(port, which % 2 === 0 ? '/small.bin' : '/large.bin')
        open.add(client)
        if (which === 5) await client.readBody(500_000)
        else if (which === 3) client.send(request('/small.bin'))
        if (which !== 5) await client.readToEnd()
        if (which === 5) await client.reset()
        else await client.close()
        open.delete(client)
      } catch {
        // The server is dead, or not there yet: that is what this is about.
        await pause(20, undefined, { signal: stopping.signal }).catch(() => undefined)
      }
    }
  })
  return {
    async stop() {
      stopping.abort()
      await Promise.all([...open].map((client) => client.reset()))
      await Promise.all(loaders)
    },
  }
}
