import { once } from 'node:events'
import {
  appendFileSync,
  existsSync,
  linkSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  renameSync,
  symlinkSync,
  truncateSync,
  writeFileSync,
} from 'node:fs'
import { join } from 'node:path'
import { describe, expect, test } from 'vitest'
import type { Entry } from '../../server/ledger/entries.ts'
import { DISK, type LedgerFiles } from '../../server/ledger/file-access.ts'
import { LOST_TRACK_REASON, openLedger } from '../../server/ledger/ledger.ts'
import { readLock } from '../../server/ledger/lock.ts'
import { checkLedger, LEDGER_FILE } from '../../server/ledger/read.ts'
import { kindsIn, newFolder, opened, readFileLines, sealed, writeLines } from './records-folder.ts'
import { begun, ended, neighbour, VISIT } from './sample-entries.ts'
import { smallDisk } from './small-disk.ts'

describe('appending', () => {
  test('has put the whole line into the file when it returns, and returns it as it stands there', async () => {
    const ledger = await opened(newFolder(), { now: () => Date.UTC(2026, 0, 5, 9) })
    for (const entry of VISIT) {
      const appended = ledger.append(entry)
      expect(JSON.parse(readFileLines(ledger.file).at(-1) ?? '')).toEqual(appended)
      expect(ledger.head).toEqual({ entries: appended.seq, sum: appended.sum })
    }
    expect(await checkLedger(ledger.file)).toMatchObject({ entries: VISIT.length, intact: true })
  })

  test('refuses an entry that does not fit its schema and goes on with the next', async () => {
    const ledger = await opened(newFolder())
    const withMistake = Object.assign({ adress: '192.0.2.9' }, neighbour(1))
    expect(() => ledger.append(withMistake)).toThrow(/"neighbour" does not fit its schema.*adress/)
    expect(() => ledger.append({ ...ended(1), bytesHandedOver: 1.5 })).toThrow(TypeError)
    expect(ledger.append(neighbour(2)).seq).toBe(1)
  })

  test('writes on where the last run stopped', async () => {
    const records = newFolder()
    const first = await opened(records)
    first.append(neighbour(1))
    await first.close('told to stop')
    const seen: Entry[] = []
    const second = await opened(records, { onEntry: (entry) => seen.push(entry) })
    expect(seen.map((entry) => entry.kind)).toEqual(['neighbour', 'closed'])
    expect(second.append(neighbour(2))).toMatchObject({ seq: 3, prev: seen[1]?.sum })
  })

  test('numbers fetches and refusals on from the greatest in the file', async () => {
    const records = newFolder()
    const first = await opened(records)
    expect([first.nextFetchId(), first.nextFetchId()]).toEqual([1, 2])
    first.append(begun(2))
    first.append(ended(2))
    first.append({
      kind: 'fetch-refused',
      id: 7,
      client: { address: '::1' },
      localAddress: '::1',
      reason: 'r',
    })
    await first.close('told to stop')
    const second = await opened(records)
    expect([second.nextFetchId(), second.nextFetchId()]).toEqual([8, 9])
  })
})

describe('syncing', () => {
  test('groups what was appended and tells it in order, never two syncs at once', async () => {
    const waiting: (() => void)[] = []
    let running = 0
    let atOnce = 0
    const files: LedgerFiles = {
      ...DISK,
      async datasync(descriptor) {
        running += 1
        atOnce = Math.max(atOnce, running)
        await new Promise<void>((resolve) => waiting.push(resolve))
        running -= 1
        return DISK.datasync(descriptor)
      },
    }
    const ledger = await opened(newFolder(), { files })
    const groups: number[][] = []
    ledger.events.on('synced', (entries) => groups.push(entries.map((entry) => entry.seq)))
    const add = (from: number, to: number) => {
      for (let id = from; id <= to; id += 1) ledger.append(id % 5 === 0 ? ended(id) : begun(id))
    }
    add(1, 100)
    await expect.poll(() => waiting.length).toBe(1)
    add(101, 200)
    const all = ledger.synced()
    expect(groups).toEqual([])
    waiting.shift()?.()
    await expect.poll(() => waiting.length).toBe(1)
    expect(groups).toEqual([Array.from({ length: 100 }, (_unused, index) => index + 1)])
    waiting.shift()?.()
    await all
    expect(groups.flat()).toEqual(Array.from({ length: 200 }, (_unused, index) => index + 1))
    expect({ atOnce, groups: groups.length }).toEqual({ atOnce: 1, groups: 2 })
    const closing = ledger.close('done')
    await expect.poll(() => waiting.length).toBe(1)
    waiting.shift()?.()
    await closing
  })

  test('happens by itself within a second, and without gathering for an ending', async () => {
    const disk = smallDisk()
    const ledger = await opened(newFolder(), { files: disk })
    const deadline = { signal: AbortSignal.timeout(1000) }
    ledger.append(begun(1))
    await once(ledger.events, 'synced', deadline)
    const slow = await opened(newFolder(), { files: disk, gatherMs: 600_000 })
    slow.append(begun(1))
    slow.append(ended(1))
    const [entries] = (await once(slow.events, 'synced', deadline)) as [Entry[]]
    expect(entries.map((entry) => entry.kind)).toEqual(['fetch-begun', 'fetch-ended'])
    expect(disk.syncs).toBe(2)
  })

  test('is one for a thousand entries of one moment', async () => {
    const disk = smallDisk()
    const ledger = await opened(newFolder(), { files: disk })
    for (let id = 1; id <= 1000; id += 1) ledger.append(ended(id))
    await ledger.synced()
    expect(disk.syncs).toBe(1)
    await ledger.synced()
    expect(disk.syncs).toBe(1)
  })
})

describe('a failure that is no full disk', () => {
  test('of a write is told, and nothing more is recorded', async () => {
    const disk = smallDisk()
    const ledger = await opened(newFolder(), { files: disk })
    const failed = once(ledger.events, 'failed')
    disk.failWrites = 'EIO'
    expect(() => ledger.append(begun(1))).toThrow(expect.objectContaining({ code: 'FP_LEDGER_UNWRITABLE' }))
    expect(await failed).toMatchObject([{ message: expect.stringContaining('disk reports') }])
    disk.failWrites = undefined
    expect(ledger.writable).toBe(false)
    expect(() => ledger.append(begun(1))).toThrow(expect.objectContaining({ code: 'FP_LEDGER_UNWRITABLE' }))
  })

  test('of a sync is told to who waits for it, now and later', async () => {
    const disk = smallDisk()
    const ledger = await opened(newFolder(), { files: disk })
    disk.failSync = 'EIO'
    ledger.append(begun(1))
    const failed = once(ledger.events, 'failed')
    await expect(ledger.synced()).rejects.toMatchObject({ code: 'FP_LEDGER_UNWRITABLE' })
    await failed
    await expect(ledger.synced()).rejects.toMatchObject({ code: 'FP_LEDGER_UNWRITABLE' })
    await ledger.close('failed')
    expect(await readLock(ledger.records)).toBeUndefined()
  })

  test.each([
    ['moved away', (file: string) => renameSync(file, `${file}.old`), /moved or removed/],
    ['cut', (file: string) => truncateSync(file, 10), /cut the ledger/],
    ['appended to', (file: string) => appendFileSync(file, '{"seq":2}\n'), /wrote into the ledger/],
  ])('a file that was %s behind our back is noticed at the next sync', async (_what, meddle, why) => {
    const ledger = await opened(newFolder())
    ledger.append(neighbour(1))
    await ledger.synced()
    meddle(ledger.file)
    ledger.append(ended(1))
    await expect(ledger.synced()).rejects.toMatchObject({ message: expect.stringMatching(why) })
    expect(ledger.writable).toBe(false)
  })
})

describe('what another program does while we serve', () => {
  test('lines that it appended went unnoticed until the next start', async () => {
    const ledger = await opened(newFolder())
    ledger.append(neighbour(1))
    await ledger.synced()
    const failed = once(ledger.events, 'failed')
    appendFileSync(ledger.file, '{"seq":2}\n')
    // Nothing is fetched meanwhile.
    expect(await failed).toMatchObject([{ message: expect.stringContaining('wrote into the ledger file') }])
    expect(ledger.writable).toBe(false)
  })

  test('the fetch right after it is refused', async () => {
    const ledger = await opened(newFolder())
    appendFileSync(ledger.file, 'x')
    expect(() => ledger.append(begun(1))).toThrow(expect.objectContaining({ code: 'FP_LEDGER_UNWRITABLE' }))
  })

  test.skipIf(process.platform === 'win32')(
    'a link in the place of the records folder is not written through',
    async () => {
      const outer = newFolder()
      const records = join(outer, '.fetchproof')
      const ledger = await opened(records)
      const elsewhere = join(outer, 'elsewhere')
      mkdirSync(elsewhere)
      // With the very ledger in it, so that the file at its name is still the one that is open.
      linkSync(ledger.file, join(elsewhere, LEDGER_FILE))
      renameSync(records, `${records}.old`)
      symlinkSync(elsewhere, records)
      await expect(ledger.announce({ pagePort: 1 })).rejects.toThrow(/another folder or a link stands where/)
      expect(() => ledger.append(begun(1))).toThrow(expect.objectContaining({ code: 'FP_LEDGER_UNWRITABLE' }))
      await ledger.close('told to stop')
      expect(readdirSync(elsewhere)).toEqual([LEDGER_FILE])
    },
  )
})

describe('closing', () => {
  test('appends closed, gives the lock back, and can be asked for twice', async () => {
    const ledger = await opened(newFolder())
    const closing = ledger.close('told to stop')
    expect(ledger.close('again')).toBe(closing)
    await closing
    expect(kindsIn(ledger.file)).toEqual(['closed'])
    expect(existsSync(join(ledger.records, 'lock.json'))).toBe(false)
    expect(() => ledger.append(neighbour(1))).toThrow(expect.objectContaining({ code: 'FP_LEDGER_CLOSED' }))
    expect(ledger.writable).toBe(false)
    expect(readFileLines(ledger.file)).toHaveLength(1)
  })

  test('waits for the sync that is under way', async () => {
    const disk = smallDisk()
    const ledger = await opened(newFolder(), { files: disk })
    let told: Entry[] = []
    ledger.events.on('synced', (entries) => {
      told = [...told, ...entries]
    })
    ledger.append(begun(1))
    await ledger.close('told to stop')
    expect(told.map((entry) => entry.kind)).toEqual(['fetch-begun', 'closed'])
  })
})

describe('opening', () => {
  test('creates folders that are absent and holds the lock, which tells the port', async () => {
    const ledger = await opened(join(newFolder(), 'deep', 'er'))
    await ledger.announce({ pagePort: 8081 })
    expect(await readLock(ledger.records)).toMatchObject({ pid: process.pid, pagePort: 8081 })
    await expect(openLedger({ records: ledger.records })).rejects.toMatchObject({ code: 'FP_LEDGER_HELD' })
  })

  test('says where the ledger cannot be written and why', async () => {
    const records = join(newFolder(), 'taken')
    writeFileSync(records, '')
    await expect(openLedger({ records })).rejects.toMatchObject({
      code: 'FP_LEDGER_UNWRITABLE',
      message: expect.stringMatching(/taken.*a file stands where the folder should be.*--records/),
    })
    const strange = newFolder()
    mkdirSync(join(strange, LEDGER_FILE))
    await expect(openLedger({ records: strange })).rejects.toMatchObject({ code: 'FP_LEDGER_FOREIGN' })
    expect(readdirSync(strange)).toEqual([LEDGER_FILE])
  })

  test('gives fetches without an end the ending lost-track, once', async () => {
    const records = newFolder()
    writeLines(records, sealed([begun(1), begun(2), ended(1), begun(3)]))
    const seen: Entry[] = []
    const ledger = await opened(records, { onEntry: (entry) => seen.push(entry) })
    expect(seen.slice(4)).toMatchObject([
      { kind: 'recovered', tornBytes: 0, lostTrack: [2, 3] },
      { kind: 'fetch-ended', id: 2, ending: 'lost-track', bytesHandedOver: 0, reason: LOST_TRACK_REASON },
      { kind: 'fetch-ended', id: 3, ending: 'lost-track' },
    ])
    expect(readFileLines(ledger.file).map((line) => JSON.parse(line))).toEqual(seen)
    await ledger.close('told to stop')
    const again = await opened(records)
    expect(kindsIn(again.file).filter((kind) => kind === 'recovered')).toHaveLength(1)
  })

  const lines = sealed(VISIT)
  const whole = lines.slice(0, 5)
  const next = `${lines[5]}\n`
  test.each([
    ['a line cut short', next.slice(0, 100)],
    ['a line without its newline', next.slice(0, -1)],
    ['zeros', '\0'.repeat(5000)],
    ['a line that goes over into zeros', next.slice(0, 60) + '\0'.repeat(3000)],
    ['zeros over more than is read at once', '\0'.repeat(3_000_000)],
  ])('sets a torn tail aside: %s', async (_what, tail) => {
    const records = newFolder()
    const file = writeLines(records, whole)
    appendFileSync(file, tail)
    const ledger = await opened(records, { now: () => Date.UTC(2026, 0, 5, 9, 8, 7, 65) })
    const name = 'ledger.torn-20260105T090807065Z'
    expect(readFileSync(join(records, name), 'utf8') === tail).toBe(true)
    expect(JSON.parse(readFileLines(file).at(-1) ?? '')).toMatchObject({
      kind: 'recovered',
      tornBytes: Buffer.byteLength(tail),
      tornFile: name,
      lostTrack: [],
    })
    expect(await checkLedger(ledger.file)).toMatchObject({ entries: 6, intact: true })
  })

  test('keeps an earlier torn tail of the same moment', async () => {
    const records = newFolder()
    const name = 'ledger.torn-20260105T090000000Z'
    writeFileSync(join(records, name), 'earlier')
    appendFileSync(writeLines(records, whole), 'x')
    await opened(records, { now: () => Date.UTC(2026, 0, 5, 9) })
    expect(readFileSync(join(records, name), 'utf8')).toBe('earlier')
    expect(readFileSync(join(records, `${name}-2`), 'utf8')).toBe('x')
  })

  test.each([
    ['a changed line in the middle', whole.with(2, (whole[2] ?? '').replace('desk-1', 'desk-2')), '', 3],
    [
      'a changed last line, complete with its newline',
      whole.with(4, (whole[4] ?? '').replace('HTML', 'XML')),
      '',
      5,
    ],
    ['a changed line and a torn tail', whole.with(1, whole[0] ?? ''), '{"seq', 2],
    ['a missing line', whole.toSpliced(0, 1), '', 1],
    ['zeros with a whole line behind them', whole, `${'\0'.repeat(50)}\n${next}`, 6],
  ])('says that the ledger is broken and changes nothing: %s', async (_what, kept, tail, line) => {
    const records = newFolder()
    const file = writeLines(records, kept)
    appendFileSync(file, tail)
    const before = readFileSync(file)
    await expect(openLedger({ records })).rejects.toMatchObject({
      code: 'FP_LEDGER_BROKEN',
      fields: { file, line },
    })
    expect(readFileSync(file)).toEqual(before)
    expect(readdirSync(records)).toEqual([LEDGER_FILE])
  })

  test('gives the lock back when what it shows entries to fails', async () => {
    const records = newFolder()
    writeLines(records, whole)
    const onEntry = () => {
      throw new Error('a mistake in the program')
    }
    await expect(openLedger({ records, onEntry })).rejects.toThrow('a mistake in the program')
    await expect(opened(records)).resolves.toBeDefined()
  })
})
