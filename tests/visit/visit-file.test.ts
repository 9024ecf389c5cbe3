import { mkdtemp, rm, unlink, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { describe, expect, it, onTestFinished } from 'vitest'
import { FILE_ACCESS, type FileAccess } from '../../server/files/file-access.ts'
import type { EntryOf } from '../../server/ledger/entries.ts'
import { rowsOnRecord, sheetEntry } from '../../server/visit/sheet-entry.ts'
import { createVisitFile, type ReadSheet, type VisitFileOptions } from '../../server/visit/visit-file.ts'
import { recorded } from '../ledger/recorded.ts'

async function folderWith(text?: string): Promise<string> {
  const folder = await mkdtemp(join(tmpdir(), 'fetchproof-sheet-'))
  onTestFinished(() => rm(folder, { recursive: true, force: true }))
  if (text !== undefined) await writeFile(join(folder, 'visit.csv'), text)
  return folder
}

function watched(folder: string, files?: FileAccess, more: Partial<VisitFileOptions> = {}) {
  // Looked at by hand, so that no test waits for a clock.
  const visit = createVisitFile({
    folder,
    everyMs: 3_600_000,
    ...(files !== undefined && { files }),
    ...more,
  })
  onTestFinished(() => visit.close())
  const changes: ReadSheet[] = []
  const troubles: string[] = []
  visit.events.on('changed', (sheet) => changes.push(sheet))
  visit.events.on('trouble', (message) => troubles.push(message))
  return { visit, changes, troubles }
}

it('reads the sheet, and again only when it has changed', async () => {
  const folder = await folderWith('device,image\ndesk,a.bin\n')
  const { visit, changes } = watched(folder)
  await visit.look()
  await visit.look()
  expect(changes.map(({ rows }) => rows.map(({ device }) => device))).toEqual([['desk']])
  await writeFile(join(folder, 'visit.csv'), 'device,image\ndesk,a.bin\nhall,b.bin\n')
  await visit.look()
  expect(visit.sheet?.rows.map(({ device }) => device)).toEqual(['desk', 'hall'])
})

it('is silent about a folder without a sheet', async () => {
  const { visit, changes, troubles } = watched(await folderWith())
  await visit.look()
  await visit.look()
  expect([visit.sheet, changes, troubles]).toEqual([undefined, [], []])
})

it('keeps the sheet while a spreadsheet replaces it, and lets go of it when it stays away', async () => {
  const folder = await folderWith('device\ndesk\n')
  const { visit, changes } = watched(folder)
  await visit.look()
  await unlink(join(folder, 'visit.csv'))
  await visit.look()
  expect(visit.sheet?.rows).toHaveLength(1)
  await visit.look()
  expect(visit.sheet?.rows).toEqual([])
  expect(visit.sheet?.errors.join()).toContain('visit.csv is gone')
  await visit.look()
  expect(changes).toHaveLength(2)
  await writeFile(join(folder, 'visit.csv'), 'device\ndesk\n')
  await visit.look()
  expect(visit.sheet?.rows).toHaveLength(1)
})

it('does not take a file that was emptied to be written anew for an empty sheet', async () => {
  const folder = await folderWith('device\ndesk\n')
  const { visit, changes } = watched(folder)
  await visit.look()
  await writeFile(join(folder, 'visit.csv'), '')
  await visit.look()
  expect(changes).toHaveLength(1)
})

describe('a sheet that is written while it is watched', () => {
  /** The last whole one, a clock that is turned by hand, and who has the file open for writing. */
  async function whileServed() {
    const folder = await folderWith('device\ndesk\n')
    const at = { nowMs: 0, writer: undefined as string | undefined }
    const { visit } = watched(folder, undefined, {
      settle: { settleMs: 2_000, settleUnsureMs: 15_000 },
      steadyMs: () => at.nowMs,
      writerOf: async () => at.writer,
    })
    await visit.look()
    const names = () => visit.sheet?.rows.map(({ device }) => device)
    expect(names()).toEqual(['desk'])
    const write = (text: string | Buffer) => writeFile(join(folder, 'visit.csv'), text)
    const lookAt = async (nowMs: number) => {
      at.nowMs = nowMs
      await visit.look()
      return names()
    }
    return { at, write, lookAt }
  }

  it('counts when it has been quiet, the last whole one until then', async () => {
    const { write, lookAt } = await whileServed()
    await write('device\nhall\n')
    expect(await lookAt(1_000)).toEqual(['desk'])
    await write('device\nhall\ngate\n')
    expect(await lookAt(2_000)).toEqual(['desk'])
    expect(await lookAt(3_999)).toEqual(['desk'])
    expect(await lookAt(4_000)).toEqual(['hall', 'gate'])
  })

  it.each([
    ['whose last line does not end', 'device,address\nhall,192.0.2.1'],
    ['that leaves a quotation mark open', 'device,note\nhall,"one\n'],
  ])('is waited for longer when it is one %s', async (_what, half) => {
    const { write, lookAt } = await whileServed()
    await write(half)
    await lookAt(1_000)
    expect(await lookAt(5_999)).toEqual(['desk'])
    expect(await lookAt(6_000)).not.toEqual(['desk'])
  })

  it('of UTF-16 ends as others do', async () => {
    const { write, lookAt } = await whileServed()
    await write(Buffer.from('\uFEFFdevice\r\nhall\r\n', 'utf16le'))
    await lookAt(1_000)
    expect(await lookAt(3_000)).toEqual(['hall'])
  })

  it('waits for the program that has it open for writing', async () => {
    const { at, write, lookAt } = await whileServed()
    at.writer = 'office (process 4711)'
    await write('device\nhall\n')
    await lookAt(1_000)
    expect(await lookAt(60_000)).toEqual(['desk'])
    at.writer = undefined
    expect(await lookAt(61_000)).toEqual(['hall'])
  })
})

it('names what is wrong by row and column, and uses the good rows', async () => {
  const { visit } = watched(await folderWith('device,mac\ndesk,not a mac\nhall,\n'))
  await visit.look()
  expect(visit.sheet?.rows.map(({ device }) => device)).toEqual(['desk', 'hall'])
  expect(visit.sheet?.errors[0]).toContain('row 2, column mac')
})

it('says once that the sheet cannot be read, and keeps the last one', async () => {
  const folder = await folderWith('device\ndesk\n')
  const disk: { locked: boolean } = { locked: false }
  const files: FileAccess = {
    ...FILE_ACCESS,
    open: (root, file) =>
      disk.locked
        ? Promise.reject(Object.assign(new Error('busy'), { code: 'EBUSY' }))
        : FILE_ACCESS.open(root, file),
  }
  const { visit, troubles } = watched(folder, files)
  await visit.look()
  disk.locked = true
  await visit.look()
  await visit.look()
  expect(troubles).toEqual([expect.stringContaining('EBUSY')])
  expect(visit.sheet?.rows).toHaveLength(1)
})

it('comes back from the ledger as it was planned, with columns of the engineer’s own', async () => {
  const { visit } = watched(
    await folderWith(
      'device;address;mac;via;image;shelf\ndesk;192.0.2.10;0000.5e00.530a;;a.bin;3\ndesk;;;;b.bin;\nhall;;;Desk;;4\n',
    ),
  )
  await visit.look()
  const { sheet } = visit
  if (sheet === undefined) throw new Error('no sheet')
  const entry = recorded(sheetEntry(sheet))
  expect(entry.rows[0]?.shelf).toBe('3')
  expect(rowsOnRecord(JSON.parse(JSON.stringify(entry)) as EntryOf<'sheet'>)).toEqual(sheet.rows)
})
