/**
 * Who holds a file open for writing. Linux shows it in `/proc` (proc(5): `fd` has a link for each open file, and
 * `fdinfo` the flags that it was opened with), for processes of the same user, or for all when run as root; other
 * systems show it to nobody, and then nothing is claimed. A file that is only mapped into memory shows nowhere.
 */
import { readdir, readFile, readlink } from 'node:fs/promises'
import { addTo } from '../lists-by-key.ts'

/** `real`: absolute, links resolved. In words: `curl (process 4711)`. */
export type WriterOf = (real: string) => Promise<string | undefined>

/** For how long one look at all processes serves those who ask: many files settle at once. */
const LOOK_HOLDS_MS = 500
/** `O_WRONLY | O_RDWR`: the access mode of open(2). */
const WRITING = 0o3

export function createWriterOf(proc = '/proc', platform = process.platform): WriterOf {
  if (platform !== 'linux') return async () => undefined
  let looking: Promise<ReadonlyMap<string, readonly string[]>> | undefined
  return async (real) => {
    looking ??= descriptorsByFile(proc).finally(() => {
      setTimeout(() => {
        looking = undefined
      }, LOOK_HOLDS_MS).unref()
    })
    for (const descriptor of (await looking).get(real) ?? []) {
      if (await isForWriting(proc, descriptor, real)) return nameOfHolder(proc, descriptor)
    }
    return undefined
  }
}

/** `PID/FD` of all that is open, by the path that it was opened under. One call at a time: serving goes first. */
async function descriptorsByFile(proc: string): Promise<ReadonlyMap<string, readonly string[]>> {
  const found = new Map<string, string[]>()
  for (const pid of await listed(proc)) {
    if (!/^\d+$/.test(pid)) continue
    for (const fd of await listed(`${proc}/${pid}/fd`)) {
      const file = await readlink(`${proc}/${pid}/fd/${fd}`).catch(() => '')
      // Sockets, pipes and the like have no path.
      if (file.startsWith('/')) addTo(found, file, `${pid}/${fd}`)
    }
  }
  return found
}

/** Processes of other users, and those that have just ended, show nothing. */
const listed = (folder: string): Promise<string[]> => readdir(folder).catch(() => [])

/** Looked at anew: since all were listed it may have been closed, and its number given to another file. */
async function isForWriting(proc: string, descriptor: string, real: string): Promise<boolean> {
  const [pid, fd] = descriptor.split('/')
  if ((await readlink(`${proc}/${pid}/fd/${fd}`).catch(() => '')) !== real) return false
  const text = await readFile(`${proc}/${pid}/fdinfo/${fd}`, 'utf8').catch(() => '')
  const flags = /^flags:\s*([0-7]+)/m.exec(text)?.[1]
  return flags !== undefined && (Number.parseInt(flags, 8) & WRITING) !== 0
}

async function nameOfHolder(proc: string, descriptor: string): Promise<string> {
  const pid = descriptor.split('/')[0] ?? ''
  const name = (await readFile(`${proc}/${pid}/comm`, 'utf8').catch(() => '')).trim()
  return name === '' ? `process ${pid}` : `${name} (process ${pid})`
}
