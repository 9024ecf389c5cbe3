/** Putting a file in the place of another: the old one or the new one is there, never half of either. */
import { open, readdir, rename, rm } from 'node:fs/promises'
import { basename, dirname, join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { systemCode } from '../errors.ts'

/** What Windows says for a moment while another program reads the file (common practice: try again). */
const PASSING: ReadonlySet<string | undefined> = new Set(['EPERM', 'EACCES', 'EBUSY'])
const ATTEMPTS = 20
const AGAIN_MS = 25

function isPassing(error: unknown): boolean {
  return PASSING.has(systemCode(error))
}

/** Tried again for half a second. `move` is passed in by tests. Throws the system's error. */
export async function renameOver(from: string, to: string, move: typeof rename = rename): Promise<void> {
  for (let attempt = 1; ; attempt += 1) {
    try {
      return await move(from, to)
    } catch (error) {
      if (!isPassing(error) || attempt === ATTEMPTS) throw error
      await pause(AGAIN_MS)
    }
  }
}

/** Written beside it, synced, then renamed over it. Throws the system's error; nothing is left beside it then. */
export async function replaceFile(file: string, text: string): Promise<void> {
  const beside = `${file}.${process.pid}.new`
  try {
    // Afresh: a link that stands there would be written through.
    await rm(beside, { force: true })
    const handle = await open(beside, 'wx')
    try {
      await handle.writeFile(text)
      await handle.sync()
    } finally {
      await handle.close()
    }
    await renameOver(beside, file)
  } catch (error) {
    await rm(beside, { force: true }).catch(() => {})
    throw error
  }
}

/** Removes what `replaceFile` left beside the file in a process that died. */
export async function sweepBeside(file: string): Promise<void> {
  const names = await readdir(dirname(file)).catch(() => [])
  for (const name of names) {
    if (!name.startsWith(`${basename(file)}.`)) continue
    const pid = Number(/^([0-9]+)\.new$/.exec(name.slice(basename(file).length + 1))?.[1] ?? Number.NaN)
    // One with our own number is of a process before us: nothing has been written yet.
    if (pid === process.pid || !isRunning(pid))
      await rm(join(dirname(file), name), { force: true }).catch(() => {})
  }
}

/** Whether a process of this number runs, or may. */
export function isRunning(pid: number): boolean {
  if (!Number.isSafeInteger(pid)) return true
  try {
    return process.kill(pid, 0)
  } catch (error) {
    return systemCode(error) !== 'ESRCH'
  }
}
