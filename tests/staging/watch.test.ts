import { execFileSync } from 'node:child_process'
import { appendFile, mkdir, readdir, rename, rm, symlink, writeFile } from 'node:fs/promises'
import { basename, dirname, join } from 'node:path'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { FILE_ACCESS, type FileAccess } from '../../server/files/file-access.ts'
import { chokidarEvents, createWatch, type EventSource, type Watch } from '../../server/staging/watch.ts'
import { needs } from '../needs.ts'
import { type Stage, stage } from './stage.ts'

const SILENT: EventSource = () => ({ ready: Promise.resolve(), close: async () => {} })

let place: Stage
let watch: Watch | undefined
let seen: Map<string, bigint>
let troubles: string[]
let wakes: (() => void)[]

beforeEach(async () => {
  place = await stage()
  seen = new Map()
  troubles = []
  wakes = []
})
afterEach(async () => {
  await watch?.close()
  watch = undefined
  await place.close()
})

function wake(): void {
  for (const each of wakes.splice(0)) each()
}

/** Waits for what the watch tells, with a deadline. */
async function until(fits: () => boolean): Promise<void> {
  const deadlineMs = Date.now() + 10_000
  const timer = setInterval(wake, 1_000)
  while (!fits() && Date.now() < deadlineMs) await new Promise<void>((resolve) => wakes.push(resolve))
  clearInterval(timer)
  if (!fits()) throw new Error(`waited in vain; seen: ${[...seen.keys()]}; troubles: ${troubles}`)
}

async function start(
  options: { events?: EventSource; files?: FileAccess; rescanMs?: number } = {},
): Promise<void> {
  watch = createWatch({
    folder: place.folder,
    rescanMs: options.rescanMs ?? 60_000,
    files: options.files ?? FILE_ACCESS,
    mayHoldImages: (name) => !name.startsWith('.'),
    isOfInterest: (name) => !name.startsWith('.'),
    mayLeadTo: (name) => !name.startsWith('.'),
    onSeen: ({ name, identity }) => {
      seen.set(name, identity.size)
      wake()
    },
    onGone: (name) => {
      seen.delete(name)
      wake()
    },
    onTrouble: (message) => {
      troubles.push(message)
      wake()
    },
    ...(options.events === undefined ? {} : { events: options.events }),
  })
  await watch.start()
}

/** A file system on which letter case and Unicode form do not count, as on Windows and macOS: names as they were given. */
function caseless(): FileAccess {
  const spelled = async (path: string): Promise<string> => {
    const names = await readdir(dirname(path))
    const fold = (name: string): string => name.normalize('NFC').toLowerCase()
    return join(dirname(path), names.find((name) => fold(name) === fold(basename(path))) ?? basename(path))
  }
  return {
    ...FILE_ACCESS,
    lstat: async (path) => FILE_ACCESS.lstat(await spelled(path)),
    stat: async (path) => FILE_ACCESS.stat(await spelled(path)),
  }
}

describe('where letter case does not count', () => {
  it.each([
    ['letter case', 'Desk.bin', 'desk.bin'],
    ['Unicode form', 'caf\u00e9.bin', 'cafe\u0301.bin'],
  ])('a file renamed in %s alone left a ghost under its old name', async (_what, before, after) => {
    await writeFile(place.path(before), 'x')
    await writeFile(place.path('other.bin'), 'x')
    await start({ events: SILENT, files: caseless() })
    expect(new Set(seen.keys())).toEqual(new Set([before, 'other.bin']))
    await rename(place.path(before), place.path(after))
    await watch?.look(before)
    // The one under way may have listed the folder before.
    await watch?.rescan()
    await watch?.rescan()
    expect(new Set(seen.keys())).toEqual(new Set([after, 'other.bin']))
  })

  it('elsewhere two files that differ in it alone are two', async () => {
    for (const name of ['Desk.bin', 'desk.bin']) await writeFile(place.path(name), name)
    await start({ events: SILENT })
    await watch?.rescan()
    expect(new Set(seen.keys())).toEqual(new Set(['Desk.bin', 'desk.bin']))
  })
})

describe('watching', () => {
  it('has seen everything when it has started, in sub-folders too, and no pipe or foreign link', async () => {
    await mkdir(place.path('sub/deep'), { recursive: true })
    await mkdir(place.path('.records'))
    for (const name of ['a.bin', 'sub/deep/b.bin', '.records/c.bin']) await writeFile(place.path(name), name)
    await symlink('/etc/hostname', place.path('out.bin'))
    await symlink('a.bin', place.path('in.bin'))
    await symlink('nowhere', place.path('dangling.bin'))
    await symlink('.', place.path('loop'))
    if (process.platform !== 'win32') execFileSync('mkfifo', [place.path('pipe.bin')])
    await start({ events: SILENT })
    expect(new Set(seen.keys())).toEqual(new Set(['a.bin', 'in.bin', 'sub/deep/b.bin']))
  })

  it('hears of new, changed, renamed and removed files by the events of the system', async () => {
    let ready: Promise<void> | undefined
    const events: EventSource = (options) => {
      const source = chokidarEvents(options)
      ready = source.ready
      return source
    }
    await start({ events })
    // What falls between the system's listing and its first event is the rescan's to find.
    await ready
    await mkdir(place.path('sub'))
    await writeFile(place.path('sub/a.bin'), 'x')
    await until(() => seen.get('sub/a.bin') === 1n)
    await appendFile(place.path('sub/a.bin'), 'yz')
    await until(() => seen.get('sub/a.bin') === 3n)
    await rename(place.path('sub/a.bin'), place.path('b.bin'))
    await until(() => seen.has('b.bin') && !seen.has('sub/a.bin'))
    await rm(place.path('b.bin'))
    await until(() => seen.size === 0)
  })

  it('finds all of that by the rescan when events are silent', async () => {
    await start({ events: SILENT, rescanMs: 20 })
    await mkdir(place.path('sub'))
    await writeFile(place.path('sub/a.bin'), 'x')
    await until(() => seen.get('sub/a.bin') === 1n)
    await appendFile(place.path('sub/a.bin'), 'yz')
    await until(() => seen.get('sub/a.bin') === 3n)
    await rename(place.path('sub'), place.path('other'))
    await until(() => seen.has('other/a.bin') && !seen.has('sub/a.bin'))
    await rm(place.path('other'), { recursive: true })
    await until(() => seen.size === 0)
  })

  it('lets a watched folder be renamed and removed', async () => {
    await mkdir(place.path('sub'))
    await writeFile(place.path('sub/a.bin'), 'x')
    await start()
    await rename(place.path('sub'), place.path('moved'))
    await until(() => seen.has('moved/a.bin') && !seen.has('sub/a.bin'))
  })

  it.each(['at once', 'later'])(
    'goes over to looking when events fail (%s), and says so once',
    async (when) => {
      let fail: (error: unknown) => void = () => {}
      let closed = 0
      const error = Object.assign(new Error('System limit for number of file watchers reached'), {
        code: 'ENOSPC',
      })
      const events: EventSource = ({ failed }) => {
        if (when === 'at once') throw error
        fail = failed
        return {
          ready: Promise.resolve(),
          close: async () => {
            closed += 1
          },
        }
      }
      await start({ events, rescanMs: 30 })
      fail(error)
      fail(error)
      await writeFile(place.path('a.bin'), 'x')
      await until(() => seen.has('a.bin'))
      expect(troubles).toEqual([expect.stringContaining('ENOSPC')])
      if (when === 'later') expect(closed).toBe(1)
    },
  )

  it('keeps what it knows while the folder cannot be listed, says so, and goes on afterwards', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const down = new Set<string>()
    const fail = () => Promise.reject(Object.assign(new Error('host is down'), { code: 'EHOSTDOWN' }))
    const files: FileAccess = {
      ...FILE_ACCESS,
      list: (path) => (down.has('share') ? fail() : FILE_ACCESS.list(path)),
      lstat: (path) => (down.has('share') ? fail() : FILE_ACCESS.lstat(path)),
    }
    await start({ events: SILENT, files })
    down.add('share')
    await watch?.rescan()
    await watch?.rescan()
    expect(seen.has('a.bin')).toBe(true)
    expect(troubles).toEqual([expect.stringContaining('EHOSTDOWN')])
    down.delete('share')
    await rm(place.path('a.bin'))
    await watch?.rescan()
    expect(seen.size).toBe(0)
  })

  it('takes every image away when the folder itself is gone (a stick pulled out)', async () => {
    await writeFile(place.path('a.bin'), 'x')
    await start({ events: SILENT })
    await rm(place.folder, { recursive: true })
    await watch?.rescan()
    expect(seen.size).toBe(0)
    await mkdir(place.folder)
    await writeFile(place.path('a.bin'), 'x')
    await watch?.rescan()
    expect([...seen.keys()]).toEqual(['a.bin'])
  })

  it('says so when a name is not UTF-8', needs('Linux'), async () => {
    await writeFile(
      Buffer.concat([Buffer.from(`${place.folder}/caf`), Buffer.from([0xe9]), Buffer.from('.bin')]),
      'x',
    )
    await start({ events: SILENT })
    expect(seen.size).toBe(0)
    expect(troubles).toEqual([expect.stringContaining('not valid UTF-8')])
  })

  it('is silent after close, which may be called twice', async () => {
    await start({ rescanMs: 10 })
    await Promise.all([watch?.close(), watch?.close()])
    await writeFile(place.path('a.bin'), 'x')
    await watch?.rescan()
    expect(seen.size).toBe(0)
  })
})

describe('a folder that went away and is there again', () => {
  it('is watched anew: events about the one that was there before come no more', async () => {
    let begun = 0
    let closed = 0
    const events: EventSource = () => {
      begun += 1
      return {
        ready: Promise.resolve(),
        close: async () => {
          closed += 1
        },
      }
    }
    await writeFile(place.path('a.bin'), 'a')
    await start({ events })
    await rename(place.folder, `${place.folder}-aside`)
    await watch?.rescan()
    expect([...seen.keys()]).toEqual([])
    expect({ begun, closed }).toEqual({ begun: 1, closed: 0 })
    await mkdir(place.folder)
    await writeFile(place.path('b.bin'), 'b')
    await watch?.rescan()
    await until(() => seen.has('b.bin'))
    expect({ begun, closed }).toEqual({ begun: 2, closed: 1 })
    expect(troubles.join(' ')).toContain('is not the folder that it was')
    // The same folder looked at again is no other one.
    await watch?.rescan()
    expect(begun).toBe(2)
    await rm(`${place.folder}-aside`, { recursive: true })
  })
})
