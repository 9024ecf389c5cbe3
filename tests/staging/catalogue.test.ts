import { execFileSync } from 'node:child_process'
import { createHash, randomBytes } from 'node:crypto'
import {
  appendFile,
  chmod,
  copyFile,
  mkdir,
  open,
  rename,
  rm,
  stat,
  symlink,
  truncate,
  utimes,
  writeFile,
} from 'node:fs/promises'
import { createServer } from 'node:net'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { FILE_ACCESS, type FileAccess } from '../../server/files/file-access.ts'
import type { Catalogue } from '../../server/staging/catalogue.ts'
import type { OnRecord } from '../../server/staging/catalogue-store.ts'
import type { Image } from '../../server/staging/image.ts'
import type { EventSource } from '../../server/staging/watch.ts'
import { needs } from '../needs.ts'
import { next, type Stage, stage, until, withDecisions } from './stage.ts'

const SILENT: EventSource = () => ({ ready: Promise.resolve(), close: async () => {} })
const sha256 = (content: string | Uint8Array) => createHash('sha256').update(content).digest('hex')
const isState = (state: string) => (image: Image | undefined) => image?.state === state
const isReady = isState('ready')
/** Everything in the folder is two minutes old. */
const LATER = { nowMs: () => Date.now() + 120_000, steadyMs: () => performance.now() }

let place: Stage
beforeEach(async () => {
  place = await stage()
})
afterEach(() => place.close())

/** Counts what is opened, and can make opening fail. */
function watchedFiles() {
  const opened: string[] = []
  const failures: string[] = []
  const files: FileAccess = {
    ...FILE_ACCESS,
    open(folder, file) {
      opened.push(file.slice(folder.length + 1))
      const code = failures.shift()
      if (code !== undefined) return Promise.reject(Object.assign(new Error(code), { code }))
      return FILE_ACCESS.open(folder, file)
    },
  }
  return { files, opened, failures }
}

const states = (catalogue: Catalogue) =>
  Object.fromEntries(catalogue.images().map(({ name, state }) => [name, state]))

describe('what is offered', () => {
  it('is every image of the folder, sorted, and nothing else', async () => {
    await mkdir(place.path('sub/.git'), { recursive: true })
    for (const name of [
      'b.bin',
      'a.bin',
      'sub/c.bin',
      '.d.bin',
      'sub/.git/e.bin',
      'visit.csv',
      'f.bin.part',
    ]) {
      await writeFile(place.path(name), name)
    }
    await writeFile(place.path('notes.txt'), 'text')
    await writeFile(place.path('fw.txt'), Buffer.from([0x27, 0x05, 0x19, 0x56, 0, 1]))
    await writeFile(place.path('a.bin.sha256'), sha256('a.bin'))
    const catalogue = await place.open()
    await catalogue.idle()
    expect(catalogue.images().map(({ name }) => name)).toEqual(['a.bin', 'b.bin', 'fw.txt', 'sub/c.bin'])
    expect(catalogue.images().every(isReady)).toBe(true)
    expect(catalogue.get('sub/c.bin')).toMatchObject({
      file: place.path('sub/c.bin'),
      plainPath: '/sub/c.bin',
      digestPath: `/${sha256('sub/c.bin').slice(0, 8)}.bin`,
      bytes: 9,
      version: { sha256: sha256('sub/c.bin'), bytes: 9 },
    })
    expect(catalogue.find('/sub/c.bin')).toMatchObject({ kind: 'image', by: 'plain' })
  })

  it('leaves out pipes, sockets and links that lead out', needs('POSIX'), async () => {
    const outside = await stage()
    await writeFile(outside.path('secret.bin'), 'x')
    await symlink(outside.path('secret.bin'), place.path('out.bin'))
    await symlink(outside.folder, place.path('away'))
    for (let at = 0; at < 6; at += 1) execFileSync('mkfifo', [place.path(`pipe${at}.bin`)])
    const server = createServer().listen(place.path('socket.bin'))
    await writeFile(place.path('a.bin'), 'x')
    const catalogue = await place.open()
    await until(catalogue, 'a.bin', isReady)
    expect(states(catalogue)).toEqual({ 'a.bin': 'ready' })
    for (const target of ['/out.bin', '/away/secret.bin', '/pipe0.bin']) {
      expect(catalogue.find(target).kind).toBe('none')
    }
    server.close()
    await outside.close()
  })

  it('leaves out what is no image, and says so where a person may wonder', async () => {
    for (const folder of ['safari.bin.download', '__MACOSX', 'sub']) await mkdir(place.path(folder))
    for (const name of [
      'a.bin',
      'b.bin.crdownload',
      'Thumbs.db',
      'a.bin:Zone.Identifier',
      '~$visit.xlsx',
      'sub/maker.url',
      'safari.bin.download/safari.bin',
      '__MACOSX/x.bin',
      'readme.txt',
    ]) {
      await writeFile(place.path(name), 'some text')
    }
    await writeFile(place.path('stock.xlsx'), Buffer.from('504b030414000600', 'hex'))
    const catalogue = await place.open()
    await catalogue.idle()
    expect(catalogue.names()).toEqual(['a.bin'])
    expect(catalogue.notOffered()).toEqual([
      { name: 'b.bin.crdownload', why: 'being downloaded' },
      { name: 'safari.bin.download', why: 'being downloaded' },
      { name: 'stock.xlsx', why: expect.stringMatching(/^a spreadsheet; /) },
      { name: 'sub/maker.url', why: 'a shortcut, not the file itself' },
    ])
    const told = next(catalogue.events, 'notOffered')
    await rename(place.path('b.bin.crdownload'), place.path('b.bin'))
    await told
    await until(catalogue, 'b.bin', isReady)
    await rm(place.path('safari.bin.download'), { recursive: true })
    await rm(place.path('sub/maker.url'))
    await rm(place.path('stock.xlsx'))
    await catalogue.rescan()
    expect(catalogue.notOffered()).toEqual([])
  })

  it('is no file beside the control file of its download, until that one is gone', async () => {
    for (const name of ['a.bin', 'b.bin', 'c.bin']) await writeFile(place.path(name), name)
    for (const name of ['a.bin.aria2', 'b.bin.part']) await writeFile(place.path(name), 'control')
    const catalogue = await place.open()
    const judged: string[] = []
    catalogue.events.on('judged', ({ name }) => void judged.push(name))
    await until(catalogue, 'c.bin', isReady)
    await catalogue.idle()
    expect(catalogue.names()).toEqual(['c.bin'])
    expect(catalogue.notOffered()).toMatchObject([
      { name: 'a.bin', why: expect.stringMatching(/^being downloaded: a\.bin\.aria2 stands beside it/) },
      { name: 'b.bin', why: expect.stringMatching(/^being downloaded: b\.bin\.part stands beside it/) },
      { name: 'b.bin.part', why: 'being downloaded' },
    ])
    expect(judged).toEqual(['c.bin'])
    await rm(place.path('a.bin.aria2'))
    await rm(place.path('b.bin.part'))
    for (const name of ['a.bin', 'b.bin']) await until(catalogue, name, isReady)
    expect(catalogue.notOffered()).toEqual([])
    // Downloaded once more, over the old one.
    const lost = next(catalogue.events, 'lost')
    await writeFile(place.path('c.bin.aria2'), 'control')
    expect((await lost)[0].name).toBe('c.bin')
    expect(catalogue.find('/c.bin').kind).toBe('none')
  })

  it.each(['b.bin.part', 'b.Xy3kQw9z.bin.part', 'b.bin.crdownload'])(
    'is no empty file beside %s: it is being downloaded, not broken',
    async (part) => {
      await mkdir(place.path('sub'))
      await writeFile(place.path('sub/b.bin'), '')
      await writeFile(place.path(`sub/${part}`), 'growing')
      const catalogue = await place.open()
      await catalogue.idle()
      expect(catalogue.names()).toEqual([])
      expect(catalogue.notOffered()).toContainEqual({
        name: 'sub/b.bin',
        why: expect.stringContaining(`${part} stands beside it`),
      })
      await rename(place.path(`sub/${part}`), place.path('sub/b.bin'))
      await until(catalogue, 'sub/b.bin', isReady)
      await writeFile(place.path('sub/other.bin'), '')
      await until(catalogue, 'sub/other.bin', isState('held'))
    },
  )

  it('is no empty file beside the part that a browser made of a name with two extensions', async () => {
    await writeFile(place.path('fw-1.2.tar.gz'), '')
    await writeFile(place.path('fw-1.2.Xy3kQw9z.tar.gz.part'), 'growing')
    await writeFile(place.path('fw-1.3.tar.gz'), '')
    const catalogue = await place.open()
    await until(catalogue, 'fw-1.3.tar.gz', isState('held'))
    await catalogue.idle()
    expect(catalogue.names()).toEqual(['fw-1.3.tar.gz'])
  })

  it('is told to be downloaded when the part comes after the empty file', async () => {
    await writeFile(place.path('b.bin'), '')
    const catalogue = await place.open()
    await until(catalogue, 'b.bin', isState('held'))
    const gone = next(catalogue.events, 'gone')
    await writeFile(place.path('b.Xy3kQw9z.bin.part'), 'growing')
    await gone
    await rm(place.path('b.Xy3kQw9z.bin.part'))
    await until(catalogue, 'b.bin', isState('held'))
  })

  it('holds an empty file, whatever else vouches for it', async () => {
    await writeFile(place.path('empty.bin'), '')
    const catalogue = await place.open()
    expect(await until(catalogue, 'empty.bin', isState('held'))).toMatchObject({
      reason: expect.stringContaining('empty file'),
    })
  })

  it('is shown as settling with its size while it is still written, from the first moment', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const catalogue = await place.open({ times: { settleMs: 60_000, settleUnsureMs: 60_000 } })
    expect(catalogue.get('a.bin')).toMatchObject({ state: 'settling', bytes: 1, reason: expect.any(String) })
    expect(catalogue.get('a.bin')?.settlesAtMs).toBeGreaterThan(Date.now() + 50_000)
    expect(catalogue.find('/a.bin')).toMatchObject({ kind: 'image', image: { state: 'settling' } })
    await appendFile(place.path('a.bin'), 'yz')
    expect(await until(catalogue, 'a.bin', (image) => image?.bytes === 3)).toMatchObject({
      state: 'settling',
    })
  })
})

describe('a copy under way', () => {
  it('that was growing before the start is never offered in part', async () => {
    const target = await open(place.path('a.bin'), 'w')
    await target.write('part one ')
    const catalogue = await place.open({ times: { settleMs: 80, settleUnsureMs: 500 } })
    const offered: (string | undefined)[] = []
    catalogue.events.on('judged', (image) => offered.push(image.version?.sha256))
    let text = 'part one '
    for (let piece = 0; piece < 6; piece += 1) {
      await new Promise((resolve) => setTimeout(resolve, 60))
      await target.write('more ')
      text += 'more '
      expect(catalogue.get('a.bin')?.state).not.toBe('ready')
    }
    await target.close()
    await until(catalogue, 'a.bin', isReady)
    expect(offered).toEqual([sha256(text)])
  })

  it('that pauses longer than the short quiet time is read, but not offered', async () => {
    await writeFile(place.path('a.bin'), 'first half ')
    const { files, opened } = watchedFiles()
    const catalogue = await place.open({ files, times: { settleMs: 50, settleUnsureMs: 1_500 } })
    const offered: (string | undefined)[] = []
    catalogue.events.on('judged', (image) => offered.push(image.version?.sha256))
    const paused = await until(
      catalogue,
      'a.bin',
      (image) => image?.version !== undefined && isState('settling')(image),
    )
    expect(paused?.version?.sha256).toBe(sha256('first half '))
    await appendFile(place.path('a.bin'), 'second half')
    await until(catalogue, 'a.bin', isReady)
    expect(offered).toEqual([sha256('first half second half')])
    // Each half is looked into and read once: waiting out the long quiet time needs no second digest. The rest is the
    // background's.
    expect(opened.filter((name) => name === 'a.bin').length).toBeLessThanOrEqual(5)
  })

  it('that got its full size first and its bytes later is not offered before the last byte', async () => {
    const target = await open(place.path('a.bin'), 'w')
    await target.truncate(100_000)
    const catalogue = await place.open({ times: { settleMs: 50, settleUnsureMs: 1_000 } })
    await until(catalogue, 'a.bin', (image) => image?.version !== undefined)
    const content = randomBytes(100_000)
    await target.write(content, 0, content.length, 0)
    await target.close()
    expect((await until(catalogue, 'a.bin', isReady))?.version?.sha256).toBe(sha256(content))
  })

  it('is offered after the short quiet time when the file is old by both its times', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const catalogue = await place.open({ times: { settleUnsureMs: 60_000 }, clock: LATER })
    await until(catalogue, 'a.bin', isReady)
  })

  it.each(['2024-01-01', '1970-01-01', '1980-01-01', '1979-12-31T23:00:00Z'])(
    'that gave half a file the old time %s is not believed',
    async (time) => {
      await writeFile(place.path('a.bin'), 'first half')
      await utimes(place.path('a.bin'), new Date(time), new Date(time))
      const catalogue = await place.open({ times: { settleUnsureMs: 60_000 } })
      const waiting = (image: Image | undefined) => image?.version !== undefined && isState('settling')(image)
      expect((await until(catalogue, 'a.bin', waiting))?.settlesAtMs).toBeGreaterThan(Date.now() + 50_000)
    },
  )

  it('that marked a file with 1970 or 1980 is not believed however long ago that was', async () => {
    for (const [name, time] of [['a.bin', '1970-01-02'] as const, ['b.bin', '1980-01-01'] as const]) {
      await writeFile(place.path(name), name)
      await utimes(place.path(name), new Date(time), new Date(time))
    }
    const catalogue = await place.open({ times: { settleUnsureMs: 60_000 }, clock: LATER })
    const waiting = (image: Image | undefined) => image?.version !== undefined && isState('settling')(image)
    for (const name of ['a.bin', 'b.bin']) {
      expect((await until(catalogue, name, waiting))?.settlesAtMs).toBeGreaterThan(Date.now() + 150_000)
      expect((await until(catalogue, name, (image) => image?.notes.length === 1))?.notes).toEqual([
        expect.stringContaining('1970 or 1980'),
      ])
    }
  })

  it('that left the first second of 1970 behind, as one does that broke off, is held until a person lifts it', async () => {
    await writeFile(place.path('a.bin'), 'first half')
    await utimes(place.path('a.bin'), 0, 0)
    const { catalogue, lift } = await withDecisions(place)
    const held = await until(catalogue, 'a.bin', isState('held'))
    expect(held?.reason).toMatch(/1970-01-01.*broke off.*lift the hold/)
    lift()
    await until(catalogue, 'a.bin', isReady)
  })

  it('that reserved the full size and broke off leaves a file that is held, not half an image', async () => {
    const target = await open(place.path('a.bin'), 'w')
    await target.write(randomBytes(300_000), 0, 300_000, 0)
    await target.truncate(1_000_000)
    await target.close()
    const catalogue = await place.open()
    expect((await until(catalogue, 'a.bin', isState('held')))?.reason).toContain('never written')
    await catalogue.close()
    const again = await place.open()
    await until(again, 'a.bin', isState('held'))
  })

  it('that reserved more than is read at once, and broke off in it, leaves one that is held too', async () => {
    const target = await open(place.path('a.bin'), 'w')
    await target.write(randomBytes(300_000), 0, 300_000, 0)
    // Of the last mebibyte no more than these belong to the file.
    await target.truncate(3 * 1024 * 1024 + 300)
    await target.close()
    const catalogue = await place.open()
    await until(catalogue, 'a.bin', isState('held'))
  })

  it('that left a hole in the middle is noted, while the file is fresh', async () => {
    const target = await open(place.path('a.bin'), 'w')
    await target.write(randomBytes(300_000), 0, 300_000, 700_000)
    await target.close()
    const fresh = await place.open()
    expect((await until(fresh, 'a.bin', isReady))?.notes).toEqual([expect.stringContaining('holds no data')])
  })

  it('that may have reserved its size with zeros is noted, while the file is fresh', async () => {
    await writeFile(place.path('a.bin'), Buffer.concat([randomBytes(300_000), Buffer.alloc(200_000)]))
    const fresh = await place.open()
    expect((await until(fresh, 'a.bin', isReady))?.notes).toEqual([expect.stringContaining('zeros')])
    await fresh.close()
    const old = await place.open({ clock: LATER })
    expect((await until(old, 'a.bin', isReady))?.notes).toEqual([])
  })

  it('that still has the file open for writing is named, and keeps it from being offered however long it pauses', async () => {
    await writeFile(place.path('a.bin'), 'first half ')
    let writer: string | undefined = 'copier (process 4711)'
    const catalogue = await place.open({ writerOf: async () => writer })
    const named = (image: Image | undefined) => image?.reason?.includes('copier (process 4711)') === true
    expect(await until(catalogue, 'a.bin', named)).toMatchObject({ state: 'settling' })
    expect(catalogue.get('a.bin')?.settlesAtMs).toBeUndefined()
    // Those who wait for the others are not kept waiting, and a person's word changes nothing.
    await catalogue.idle()
    catalogue.readyNow('a.bin')
    await catalogue.idle()
    expect(catalogue.get('a.bin')?.state).toBe('settling')
    writer = undefined
    await until(catalogue, 'a.bin', isReady)
  })

  it.runIf(process.platform === 'linux')('that holds the file open is seen in /proc', async () => {
    const target = await open(place.path('a.bin'), 'w')
    await target.write('first half ')
    const reader = await open(place.path('b.bin'), 'w+').then(async (file) => {
      await file.write('whole')
      await file.close()
      return open(place.path('b.bin'), 'r')
    })
    const catalogue = await place.open()
    await until(catalogue, 'b.bin', isReady)
    await until(catalogue, 'a.bin', (image) => image?.reason?.includes(`process ${process.pid}`) === true)
    await target.write('second half')
    await target.close()
    await reader.close()
    expect((await until(catalogue, 'a.bin', isReady))?.version?.sha256).toBe(sha256('first half second half'))
  })

  it('is offered after the short quiet time when the judge is sure', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const catalogue = await place.open({
      times: { settleUnsureMs: 60_000 },
      judge: {
        judge: async () => ({
          published: { standing: 'matches', algorithm: 'sha256', source: 'beside it' },
          format: { kind: 'gzip', verdict: 'sound' },
          notes: ['seen'],
          holds: [],
          sure: true,
        }),
      },
    })
    expect(await until(catalogue, 'a.bin', isReady)).toMatchObject({
      published: { standing: 'matches' },
      format: { kind: 'gzip' },
      notes: ['seen'],
    })
  })

  it('is offered at once when a person says so; the word is void when the file moves again', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const catalogue = await place.open({ times: { settleMs: 60_000, settleUnsureMs: 60_000 } })
    catalogue.readyNow('a.bin')
    await until(catalogue, 'a.bin', isReady)
    await appendFile(place.path('a.bin'), 'y')
    const settling = await until(catalogue, 'a.bin', isState('settling'))
    expect(settling?.settlesAtMs).toBeGreaterThan(Date.now() + 50_000)
    expect(() => catalogue.readyNow('none.bin')).toThrow(
      expect.objectContaining({ code: 'FP_IMAGE_UNKNOWN' }),
    )
  })
})

describe('a file that moves after it was offered', () => {
  it('is lost at the first look and settles again', async () => {
    await writeFile(place.path('a.bin'), 'one')
    const catalogue = await place.open()
    await until(catalogue, 'a.bin', isReady)
    const lost = next(catalogue.events, 'lost')
    await writeFile(place.path('a.bin'), 'other')
    const [image, why] = await lost
    expect([image.version?.sha256, why]).toEqual([sha256('one'), 'changed'])
    expect(catalogue.get('a.bin')?.version?.sha256).not.toBe(sha256('one'))
    await until(catalogue, 'a.bin', (now) => isReady(now) && now?.version?.sha256 === sha256('other'))
  })

  it('with its old time put back is noticed by its change time, read anew and lost', async () => {
    const when = new Date('2024-01-01')
    await writeFile(place.path('a.bin'), 'one')
    await utimes(place.path('a.bin'), when, when)
    const catalogue = await place.open()
    await until(catalogue, 'a.bin', isReady)
    const lost = next(catalogue.events, 'lost')
    await writeFile(place.path('a.bin'), 'two')
    await utimes(place.path('a.bin'), when, when)
    expect((await lost)[0].version?.sha256).toBe(sha256('one'))
    await until(catalogue, 'a.bin', (now) => isReady(now) && now?.version?.sha256 === sha256('two'))
  })

  it('by its rights alone is read again, and what is under way of it goes on', async () => {
    await writeFile(place.path('a.bin'), 'one')
    const catalogue = await place.open({ times: { settleUnsureMs: 1_000 } })
    await until(catalogue, 'a.bin', isReady)
    const seen: string[] = []
    catalogue.events.on('lost', (_image, why) => void seen.push(`lost: ${why}`))
    catalogue.events.on('changed', ({ state }) => void seen.push(state))
    await chmod(place.path('a.bin'), 0o600)
    await until(catalogue, 'a.bin', (image) => seen.includes('reading') && isReady(image))
    expect(seen.filter((word) => word.startsWith('lost'))).toEqual([])
  })

  it('by its rights alone stays held by the person who held it, and is lost when it is removed', async () => {
    await writeFile(place.path('a.bin'), 'one')
    const { catalogue, hold } = await withDecisions(place)
    await until(catalogue, 'a.bin', isReady)
    hold('the wrong one for this site')
    const read = next(catalogue.events, 'changed', ({ state }) => state === 'reading')
    await chmod(place.path('a.bin'), 0o600)
    await read
    expect((await until(catalogue, 'a.bin', isState('held')))?.reason).toContain(
      'the wrong one for this site',
    )
    const lost = next(catalogue.events, 'lost')
    await rm(place.path('a.bin'))
    expect((await lost)[1]).toBe('removed')
  })

  it('is lost when another file takes its name with the same size and time', async () => {
    const when = new Date('2024-01-01')
    await writeFile(place.path('a.bin'), 'one')
    await writeFile(place.path('.b'), 'two')
    for (const name of ['a.bin', '.b']) await utimes(place.path(name), when, when)
    const catalogue = await place.open()
    await until(catalogue, 'a.bin', isReady)
    const lost = next(catalogue.events, 'lost')
    await rename(place.path('.b'), place.path('a.bin'))
    expect((await lost)[1]).toBe('changed')
    expect((await until(catalogue, 'a.bin', isReady))?.version?.sha256).toBe(sha256('two'))
  })

  it('is lost and gone when it is removed; a renamed one is offered under its new name', async () => {
    await writeFile(place.path('a.bin'), 'one')
    const catalogue = await place.open()
    await until(catalogue, 'a.bin', isReady)
    const lost = next(catalogue.events, 'lost')
    const gone = next(catalogue.events, 'gone')
    await rename(place.path('a.bin'), place.path('b.bin'))
    expect((await lost)[1]).toBe('removed')
    expect((await gone)[0].name).toBe('a.bin')
    await until(catalogue, 'b.bin', isReady)
    expect(catalogue.find('/a.bin').kind).toBe('none')
    await rm(place.path('b.bin'))
    await until(catalogue, 'b.bin', (image) => image === undefined)
    expect(catalogue.images()).toEqual([])
  })

  it('is found by the rescan when the system is silent', async () => {
    const catalogue = await place.open({ fileEvents: SILENT, times: { rescanMs: 30 } })
    await writeFile(place.path('a.bin'), 'one')
    await until(catalogue, 'a.bin', isReady)
    await truncate(place.path('a.bin'), 1)
    await until(catalogue, 'a.bin', (image) => isReady(image) && image?.version?.sha256 === sha256('o'))
    await rm(place.path('a.bin'))
    await until(catalogue, 'a.bin', (image) => image === undefined)
  })

  it('is noticed when it is replaced while it is read', async () => {
    await writeFile(place.path('a.bin'), 'one')
    let replaced = false
    const files: FileAccess = {
      ...FILE_ACCESS,
      async open(folder, file) {
        const opened = await FILE_ACCESS.open(folder, file)
        if (!replaced) {
          replaced = true
          await writeFile(place.path('.b'), 'two')
          await rename(place.path('.b'), place.path('a.bin'))
        }
        return opened
      },
    }
    const catalogue = await place.open({ files, fileEvents: SILENT, times: { rescanMs: 60_000 } })
    const offered: (string | undefined)[] = []
    catalogue.events.on('judged', (image) => offered.push(image.version?.sha256))
    await until(catalogue, 'a.bin', isReady)
    expect(offered).toEqual([sha256('two')])
  })

  it('is read anew when a served block did not match', async () => {
    await writeFile(place.path('a.bin'), 'one')
    const { files, opened } = watchedFiles()
    const catalogue = await place.open({ files })
    await until(catalogue, 'a.bin', (image) => image?.version?.more.sha512 !== undefined)
    const before = opened.length
    const lost = next(catalogue.events, 'lost')
    catalogue.reread('a.bin')
    expect((await lost)[1]).toBe('changed')
    expect(catalogue.get('a.bin')).toMatchObject({ state: 'settling' })
    await until(catalogue, 'a.bin', isReady)
    expect(opened.length).toBeGreaterThan(before)
  })

  it('leaves a catalogue that equals the directory after 20 rounds of copying and deleting', async () => {
    const catalogue = await place.open({ times: { settleMs: 5, settleUnsureMs: 10, rescanMs: 200 } })
    await writeFile(place.path('.source'), randomBytes(50_000))
    for (let round = 0; round < 20; round += 1) {
      const names = ['a.bin', 'b.bin', `c${round}.bin`]
      await Promise.all(names.map((name) => copyFile(place.path('.source'), place.path(name))))
      if (round % 3 === 0) await catalogue.idle()
      await Promise.all(names.map((name) => rm(place.path(name))))
    }
    await copyFile(place.path('.source'), place.path('b.bin'))
    // What is ready may still be the b.bin of the last round: the rescan sees the new one.
    await catalogue.rescan()
    await catalogue.idle()
    expect(states(catalogue)).toEqual({ 'b.bin': 'ready' })
  })
})

describe('a file that cannot be opened', () => {
  it.each(['EBUSY', 'EACCES', 'EPERM', 'EIO'])(
    '(%s) is locked, tried again, and offered when it can be',
    async (code) => {
      await writeFile(place.path('a.bin'), 'x')
      const { files, failures } = watchedFiles()
      // Whether it is a text is looked into first, and again with each look at the folder.
      failures.push(...Array.from({ length: 6 }, () => code))
      const catalogue = await place.open({ files })
      const locked = await until(catalogue, 'a.bin', isState('locked'))
      expect(locked?.reason).toContain(code)
      expect(catalogue.find('/a.bin')).toMatchObject({ kind: 'image', image: { state: 'locked' } })
      await until(catalogue, 'a.bin', isReady)
    },
  )

  it('does not keep those from waiting who wait for the others', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const { files, failures } = watchedFiles()
    failures.push(...Array.from({ length: 50 }, () => 'EBUSY'))
    const catalogue = await place.open({ files })
    await catalogue.idle()
    expect(states(catalogue)).toEqual({ 'a.bin': 'locked' })
  })
})

describe('a restart', () => {
  it('of an unchanged folder of 200 images opens none of them, and offers all', async () => {
    for (let at = 0; at < 200; at += 1) await writeFile(place.path(`${at}.bin`), `image ${at}`)
    const known = new Map<string, OnRecord>()
    const first = await place.open()
    first.events.on('judged', ({ name, version, published, format }) => {
      if (version === undefined) return
      const { blocksSha256, crc32 } = version
      known.set(`${name} ${version.sha256}`, { blocksSha256, crc32, published, format })
    })
    await first.idle()
    await Promise.all(
      first.images().map((image) => until(first, image.name, (now) => now?.version?.more.md5 !== undefined)),
    )
    const before = first.images()
    await first.close()
    expect(known.size).toBe(200)

    const recorded = (name: string, digest: string) => known.get(`${name} ${digest}`)
    const { files, opened } = watchedFiles()
    const second = await place.open({ files, recorded })
    await second.idle()
    expect(second.images().map(({ name, state, version }) => [name, state, version?.sha256])).toEqual(
      before.map(({ name, version }) => [name, 'ready', version?.sha256]),
    )
    expect(opened).toEqual([])
    await second.close()

    const { atime, mtime } = await stat(place.path('7.bin'))
    await writeFile(place.path('7.bin'), 'imagE 7')
    await utimes(place.path('7.bin'), atime, mtime)
    const third = await place.open({ files, recorded })
    await third.idle()
    expect(new Set(opened)).toEqual(new Set(['7.bin']))
    expect(third.get('7.bin')?.version?.sha256).toBe(sha256('imagE 7'))
  })

  it('does not believe kept digests that no ledger confirms', async () => {
    await writeFile(place.path('a.bin'), 'x')
    const first = await place.open()
    await first.idle()
    await first.close()
    const { files, opened } = watchedFiles()
    const second = await place.open({ files })
    await second.idle()
    expect(opened).toContain('a.bin')
  })

  it('tells of a broken store and reads everything anew', async () => {
    await writeFile(place.path('a.bin'), 'x')
    await mkdir(place.path('.fetchproof'))
    await writeFile(place.path('.fetchproof/catalogue.json'), '{')
    const catalogue = await place.open()
    expect((await next(catalogue.events, 'trouble'))[0]).toContain('catalogue.json')
    await until(catalogue, 'a.bin', isReady)
  })
})

describe('a heap of files', () => {
  it('dropped in at once is offered whole, without stalling the program', async () => {
    const catalogue = await place.open({ times: { settleMs: 20, settleUnsureMs: 60, rescanMs: 1_000 } })
    await Promise.all(
      Array.from({ length: 1_500 }, (_, at) => writeFile(place.path(`${at}.bin`), `image ${at}`)),
    )
    let longestMs = 0
    let lastMs = performance.now()
    const beat = setInterval(() => {
      longestMs = Math.max(longestMs, performance.now() - lastMs)
      lastMs = performance.now()
    }, 5)
    await catalogue.rescan()
    await catalogue.idle()
    clearInterval(beat)
    expect(catalogue.images()).toHaveLength(1_500)
    expect(catalogue.images().every(isReady)).toBe(true)
    expect(longestMs).toBeLessThan(1_000)
  })
})

describe('the other digests', () => {
  it('follow in the background, and at once when asked for', async () => {
    await writeFile(place.path('a.bin'), 'abc')
    const catalogue = await place.open()
    await until(catalogue, 'a.bin', (image) => Object.keys(image?.version?.more ?? {}).length === 3)
    // RFC 1321 A.5 and RFC 3174 §7.3: MD5 and SHA-1 of "abc"
    expect(catalogue.get('a.bin')?.version?.more).toMatchObject({
      md5: '900150983cd24fb0d6963f7d28e17f72',
      sha1: 'a9993e364706816aba3e25717850c26c9cd0d89d',
    })
    // FIPS 180-4 example: SHA-224 of "abc" (from memory)
    expect(await catalogue.digest('a.bin', 'sha224')).toBe(
      '23097d223405d8228642a477bda255b32aadbce4bda0b3f7e36c9da7',
    )
    expect(await catalogue.digest('a.bin', 'sha256')).toBe(sha256('abc'))
    await expect(catalogue.digest('none.bin', 'md5')).rejects.toMatchObject({ code: 'FP_IMAGE_UNKNOWN' })
    await expect(catalogue.digest('a.bin', 'rot13')).rejects.toMatchObject({ code: 'FP_IMAGE_UNREADABLE' })
  })
})

describe('closing', () => {
  it('may be asked for twice, ends what is under way, and is silent afterwards', async () => {
    await writeFile(place.path('a.bin'), '')
    await truncate(place.path('a.bin'), 300 * 1024 * 1024)
    const catalogue = await place.open({ times: { settleMs: 0, settleUnsureMs: 0 } })
    await until(catalogue, 'a.bin', isState('reading'))
    const idle = catalogue.idle()
    await Promise.all([catalogue.close(), catalogue.close()])
    await idle
    const after: unknown[] = []
    const note = (image: Image) => void after.push(image)
    catalogue.events.on('changed', note).on('judged', note).on('lost', note).on('gone', note)
    await rm(place.path('a.bin'))
    await catalogue.rescan()
    expect(after).toEqual([])
  })

  it('is not needed for a start that failed', async () => {
    await expect(place.open({ times: { folder: place.path('none') } })).rejects.toMatchObject({
      code: 'FP_FOLDER_MISSING',
    })
  })
})
