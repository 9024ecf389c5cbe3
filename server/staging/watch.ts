/**
 * Watching the staging folder: system events for speed, a rescan for truth, because shares and sticks lose
 * events. Every sign, of either kind, ends in one look at the file itself.
 */
import { join, posix } from 'node:path'
import { watch as chokidarWatch, type FSWatcher } from 'chokidar'
import { systemCode } from '../errors.ts'
import { createConcurrencyLimit } from '../files/concurrency-limit.ts'
import type { FileAccess } from '../files/file-access.ts'
import { type FileIdentity, identityOf, isInside, nameWithin } from '../files/folder.ts'
import { fold } from './naming.ts'

/** File systems keep times far beyond what a date can be written for (RFC 3339 §1: years 0000 to 9999). */
const FIRST_DATE = Date.parse('0000-01-01T00:00:00Z')
const LAST_DATE = Date.parse('9999-12-31T23:59:59Z')

/** Of the four threads that all share for file calls, looking takes at most two. */
const LOOKS_AT_ONCE = 2
/** How often the folder is looked through when the system's events failed. */
const WITHOUT_EVENTS_MS = 2_000

export interface Sight {
  /** Path within the folder, `/` between segments. */
  readonly name: string
  /** Of the file that a link leads to, if it is one. */
  readonly identity: FileIdentity
  readonly modifiedMs: number
}

/** The system's events: calls `touched` with absolute paths. Tests pass a silent one. */
export type EventSource = (options: {
  folder: string
  mayHoldImages: (folderName: string) => boolean
  /** `folderGone`: a folder went, and all that was in it. */
  touched: (path: string, folderGone?: boolean) => void
  failed: (error: unknown) => void
}) => { ready: Promise<void>; close(): Promise<void> }

interface WatchOptions {
  /** Absolute, links resolved. */
  readonly folder: string
  readonly rescanMs: number
  readonly files: FileAccess
  readonly mayHoldImages: (folderName: string) => boolean
  /** Cheap looks at the name: whether the file is looked at, and whether a link may lead to it. */
  readonly isOfInterest: (name: string) => boolean
  readonly mayLeadTo: (name: string) => boolean
  /** Those that may hold no images, at every look through the folder. */
  readonly onFoldersPassedOver?: (names: readonly string[]) => void
  /** Called at every look, changed or not. */
  readonly onSeen: (sight: Sight) => void
  readonly onGone: (name: string) => void
  readonly onTrouble: (message: string) => void
  readonly events?: EventSource | undefined
}

export type Watch = ReturnType<typeof createWatch>

export function createWatch(options: WatchOptions) {
  // Long: what is known of one folder, a function for each sign of a change.
  const { folder, files } = options
  const events = options.events ?? chokidarEvents
  const limited = createConcurrencyLimit(LOOKS_AT_ONCE)
  const known = new Set<string>()
  const pending = new Set<string>()
  const troubles = new Set<string>()
  let source: ReturnType<EventSource> | undefined
  /** Device and inode of the folder as last looked at; `gone` while it is not there. */
  let root: string | undefined
  let rescanMs = options.rescanMs
  let timer: NodeJS.Timeout | undefined
  let scanning: Promise<void> | undefined
  let closing: Promise<void> | undefined

  function trouble(key: string, message: string): void {
    if (troubles.has(key)) return
    troubles.add(key)
    options.onTrouble(message)
  }

  /** Of a folder that may be listed and not entered. */
  function unenterable(folderName: string, cause: string): void {
    if (troubles.has(`list ${folderName}`)) return
    trouble(
      `enter ${folderName}`,
      `What is in ${folderName} cannot be opened (${cause}): the folder may be listed and not entered. It is tried again at every rescan.`,
    )
  }

  function gone(name: string): void {
    if (known.delete(name) && closing === undefined) options.onGone(name)
  }

  async function look(name: string): Promise<void> {
    try {
      const sight = await limited(() => sightOf(name, options))
      if (closing !== undefined) return
      if (sight === undefined) return gone(name)
      known.add(name)
      troubles.delete(`enter ${posix.dirname(name)}`)
      options.onSeen(sight)
    } catch (error) {
      const code = systemCode(error)
      if (code === 'ENOENT' || code === 'ENOTDIR' || code === 'ELOOP') {
        if (code === 'ENOENT' && name.includes('\uFFFD')) {
          trouble(name, `The name of ${name} is not valid UTF-8, so it is not offered. Rename the file.`)
        }
        gone(name)
      } else if (code === 'EACCES' && isOfEntry(error)) unenterable(posix.dirname(name), code)
      // Anything else (a share that hangs, a folder without permission) may pass: the next rescan looks again.
    }
  }

  function touched(path: string, folderGone = false): void {
    const name = nameWithin(folder, path)
    if (closing !== undefined) return
    const names = options.isOfInterest(name) ? [name] : []
    if (folderGone) for (const other of known) if (other.startsWith(`${name}/`)) names.push(other)
    for (const each of names) {
      if (pending.has(each)) continue
      pending.add(each)
      void limited(async () => void pending.delete(each)).then(() => look(each))
    }
  }

  async function walk(folderName: string, found: Set<string>, passedOver: string[]): Promise<void> {
    let entries: Awaited<ReturnType<FileAccess['list']>>
    try {
      entries = await limited(() => files.list(join(folder, folderName)))
      troubles.delete(`list ${folderName}`)
    } catch (error) {
      const cause = systemCode(error) ?? String(error)
      const place = folderName === '' ? 'The staging folder' : `The folder ${folderName}`
      if (folderName === '' || cause !== 'ENOENT')
        trouble(
          `list ${folderName}`,
          `${place} cannot be read (${cause}); it is tried again at every rescan.`,
        )
      return
    }
    for (const entry of entries) {
      const name = folderName === '' ? entry.name : `${folderName}/${entry.name}`
      if (!entry.isFolder) {
        if (options.isOfInterest(name)) found.add(name)
      } else if (options.mayHoldImages(name)) await walk(name, found, passedOver)
      else passedOver.push(name)
    }
  }

  /** A stick that is put back, a folder that is made anew: another folder under the same name. */
  async function lookAtRoot(): Promise<void> {
    const before = root
    root = await rootOf(options)
    if (before === undefined || root === 'gone' || before === root || closing !== undefined) return
    options.onTrouble(
      `The staging folder ${folder} is not the folder that it was: a disk was removed or inserted, or the folder was created again. It is being read again.`,
    )
    // The system's events are about the folder that was there before.
    if (source !== undefined) begin()
  }

  /** The system's events, from now on. */
  function begin(): void {
    void source?.close().catch(() => {})
    try {
      source = events({ folder, mayHoldImages: options.mayHoldImages, touched, failed: eventsFailed })
      // What came between the scan under way and the first event would else wait for the next rescan.
      void source.ready.then(() => scanning).then(rescan)
    } catch (error) {
      eventsFailed(error)
    }
  }

  async function scan(): Promise<void> {
    await lookAtRoot()
    const found = new Set<string>()
    const passedOver: string[] = []
    await walk('', found, passedOver)
    options.onFoldersPassedOver?.(passedOver)
    leaveOtherSpellings(found)
    // Known files that the listing left out are looked at too: only the look decides that they are gone.
    const names = [...new Set([...found, ...known])]
    // What keeps track of a download first: the file that it stands beside is then never taken for an image.
    await Promise.all(names.filter((name) => !options.mayLeadTo(name)).map((name) => look(name)))
    await Promise.all(names.filter(options.mayLeadTo).map((name) => look(name)))
  }

  /** Where letter case does not count, a file that was renamed to another one is still found under its old name. */
  function leaveOtherSpellings(found: ReadonlySet<string>): void {
    const missing = [...known].filter((name) => !found.has(name))
    if (missing.length === 0) return
    const listed = new Set([...found].map(fold))
    for (const name of missing) if (listed.has(fold(name))) gone(name)
  }

  function rescan(): Promise<void> {
    scanning ??= scan().finally(() => {
      scanning = undefined
    })
    return scanning
  }

  function scheduleRescan(): void {
    if (closing !== undefined) return
    clearTimeout(timer)
    timer = setTimeout(() => void rescan().finally(scheduleRescan), rescanMs)
  }

  function eventsFailed(error: unknown): void {
    if (closing !== undefined) return
    rescanMs = Math.min(options.rescanMs, WITHOUT_EVENTS_MS)
    const cause = systemCode(error) ?? String(error)
    const often = `it is looked through every ${rescanMs / 1000} s`
    trouble('events', `This system reports no changes in ${folder} (${cause}); ${often}.`)
    const failed = source
    source = undefined
    void failed?.close().catch(() => {})
    scheduleRescan()
  }

  return {
    /** Resolves when everything in the folder has been seen once. */
    async start(): Promise<void> {
      begin()
      await rescan()
      scheduleRescan()
    },
    /** Looks at one file now; its sight is passed to onSeen or onGone before this resolves. */
    look,
    rescan,
    close(): Promise<void> {
      closing ??= (async () => {
        clearTimeout(timer)
        await source?.close()
        await scanning
      })()
      return closing
    },
  }
}

/** A link may lead to where this user may not look, which says nothing of its own folder. */
const isOfEntry = (error: unknown): boolean => (error as NodeJS.ErrnoException).syscall === 'lstat'

/** Undefined for what is no regular file, or a link that may not lead where it does. */
async function sightOf(name: string, { folder, files, mayLeadTo }: WatchOptions): Promise<Sight | undefined> {
  const path = join(folder, name)
  let stats = await files.lstat(path)
  if (stats.isSymbolicLink()) {
    const real = await files.realpath(path)
    if (!isInside(folder, real) || !mayLeadTo(nameWithin(folder, real))) return undefined
    stats = await files.stat(path)
  }
  if (!stats.isFile()) return undefined
  const modifiedMs = Number(stats.mtimeNs / 1_000_000n)
  return Object.freeze({
    name,
    identity: identityOf(stats),
    modifiedMs: Math.min(Math.max(modifiedMs, FIRST_DATE), LAST_DATE),
  })
}

/** Device and inode of the folder; `gone` while it is not there: listing it says what is the matter. */
async function rootOf({ folder, files }: WatchOptions): Promise<string> {
  try {
    const { dev, ino } = await files.stat(folder)
    return `${dev} ${ino}`
  } catch {
    return 'gone'
  }
}

/** chokidar without its own settling, which files that grow at start-up escape, and links not followed. */
export const chokidarEvents: EventSource = ({ folder, mayHoldImages, touched, failed }) => {
  const watcher: FSWatcher = chokidarWatch(folder, {
    ignoreInitial: true,
    followSymlinks: false,
    ignorePermissionErrors: true,
    atomic: false,
    ignored: (path) => path !== folder && !mayHoldImages(nameWithin(folder, path)),
  })
  watcher.on('all', (event, path) => touched(path, event === 'unlinkDir'))
  watcher.on('error', failed)
  return {
    ready: new Promise((resolve) => watcher.once('ready', () => resolve())),
    close: () => watcher.close(),
  }
}
