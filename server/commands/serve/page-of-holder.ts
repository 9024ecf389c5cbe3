/** A second `serve --open` of one folder, as a second double click is, opens the page of the first. */
import { hostname } from 'node:os'
import { setTimeout as pause } from 'node:timers/promises'
import { type LockHolder, readLock } from '../../ledger/lock.ts'
import { readPageToken } from '../page-token.ts'
import { provesToken } from '../running-server.ts'
import { pageAddress } from './page.ts'

/** A first one that was started a moment before is still reading its record. */
const PATIENCE_MS = 10_000

interface ServedPage {
  readonly pid: number
  /** With the token. */
  readonly address: string
}

/** Undefined when nobody on this laptop serves with these records, or does so without a page. */
export async function pageOfHolder(records: string): Promise<ServedPage | undefined> {
  for (const deadline = Date.now() + PATIENCE_MS; ; ) {
    const holder = await readLock(records)
    if (holder === undefined || holder.host !== hostname()) return undefined
    if (holder.pagePort !== null) return served(holder, holder.pagePort, records)
    if (Date.now() > deadline) return undefined
    await pause(100)
  }
}

async function served({ pid }: LockHolder, port: number, records: string): Promise<ServedPage | undefined> {
  const token = readPageToken(records)
  if (token === undefined || !(await provesToken(port, token).catch(() => false))) return undefined
  const asked = await fetch(`http://127.0.0.1:${port}/`).catch(() => undefined)
  await asked?.body?.cancel()
  return asked?.ok === true ? { pid, address: pageAddress(port, token) } : undefined
}
