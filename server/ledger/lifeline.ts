/**
 * By this a process can be recognised where the system does not show when it began (Windows, macOS): numbers of
 * processes come again there, a killed server's own next start among them. The holder of a lock listens on a named
 * pipe or a local socket; the system answers a connection as long as that process lives, however busy it is, and
 * never after. The name comes from a random id in the lock file, never a path: a lock file may be borrowed.
 */
import { randomBytes } from 'node:crypto'
import { once } from 'node:events'
import { rm } from 'node:fs/promises'
import { connect, createServer } from 'node:net'
import { systemCode } from '../errors.ts'

interface Lifeline {
  readonly id: string
  /** Idempotent. */
  close(): void
}

const ID = /^[0-9a-f]{32}$/
const PATIENCE_MS = 2_000

/** Undefined where no such line can be opened; a lock then stands as long as a process has its holder's number. */
export async function openLifeline(): Promise<Lifeline | undefined> {
  const id = randomBytes(16).toString('hex')
  const server = createServer((asked) => asked.on('error', () => undefined).end()).unref()
  try {
    await once(server.listen(pathOf(id)), 'listening')
  } catch {
    return undefined
  }
  return { id, close: () => void server.close() }
}

/** False only when surely nobody is there. */
export async function answers(id: unknown): Promise<boolean> {
  if (typeof id !== 'string' || !ID.test(id)) return true
  const line = connect(pathOf(id))
  try {
    await once(line, 'connect', { signal: AbortSignal.timeout(PATIENCE_MS) })
    return true
  } catch (error) {
    const code = systemCode(error)
    // What a killed process left of its socket; on Windows a pipe goes with its process.
    if (code === 'ECONNREFUSED') await rm(pathOf(id), { force: true }).catch(() => undefined)
    return code !== 'ENOENT' && code !== 'ECONNREFUSED'
  } finally {
    line.destroy()
  }
}

/** The same for every user of the machine, who may share a staging folder; 103 characters at most (macOS: unix(4)). */
function pathOf(id: string): string {
  return process.platform === 'win32' ? `\\\\.\\pipe\\fetchproof-${id}` : `/tmp/fetchproof-${id}.sock`
}
