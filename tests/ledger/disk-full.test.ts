import { spawnSync } from 'node:child_process'
import { once } from 'node:events'
import { existsSync, readFileSync, statSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, test } from 'vitest'
import type { Ledger } from '../../server/ledger/ledger.ts'
import { checkLedger } from '../../server/ledger/read.ts'
import { RESERVE_FILE } from '../../server/ledger/reserve.ts'
import { needs } from '../needs.ts'
import { childProgram } from './child-process.ts'
import { kindsIn, newFolder, opened } from './records-folder.ts'
import { begun, ended } from './sample-entries.ts'
import { type SmallDisk, smallDisk } from './small-disk.ts'

const RESERVE = 8192

/** A ledger with three fetches under way, and then a disk with this much room left. */
async function ledgerOn(disk: SmallDisk, room: number, reserveBytes = RESERVE): Promise<Ledger> {
  const ledger = await opened(newFolder(), { files: disk, reserveBytes, probeMs: 5 })
  for (const id of [1, 2, 3]) ledger.append(begun(id))
  await ledger.synced()
  disk.room = room
  return ledger
}

describe('when the disk is full', () => {
  test.each([0, 1, 100, 400])(
    'with room for %i bytes a new fetch is refused and no piece of it stays',
    async (room) => {
      const disk = smallDisk()
      const ledger = await ledgerOn(disk, room)
      const before = readFileSync(ledger.file)
      const head = ledger.head
      expect(() => ledger.append(begun(4))).toThrow(expect.objectContaining({ code: 'FP_LEDGER_FULL' }))
      expect(ledger.writable).toBe(false)
      expect(ledger.head).toEqual(head)
      expect(readFileSync(ledger.file)).toEqual(before)
    },
  )

  test('it is told once, the reserve is given up, and endings still fit', async () => {
    const disk = smallDisk()
    const ledger = await ledgerOn(disk, 10)
    let told = 0
    ledger.events.on('full', () => {
      told += 1
    })
    expect(() => ledger.append(begun(4))).toThrow()
    expect(existsSync(join(ledger.records, RESERVE_FILE))).toBe(false)
    for (const id of [1, 2, 3]) ledger.append(ended(id))
    expect(() => ledger.append(begun(5))).toThrow()
    await ledger.synced()
    expect(told).toBe(1)
    expect(kindsIn(ledger.file).slice(-3)).toEqual(['fetch-ended', 'fetch-ended', 'fetch-ended'])
    expect(await checkLedger(ledger.file)).toMatchObject({ entries: 6, intact: true })
  })

  test('an ending that meets it first is written all the same', async () => {
    const ledger = await ledgerOn(smallDisk(), 10)
    expect(ledger.append(ended(2))).toMatchObject({ id: 2, seq: 4 })
    expect(ledger.writable).toBe(false)
  })

  test('endings are refused too once the reserve is used up, and the chain stays whole', async () => {
    const ledger = await ledgerOn(smallDisk(), 10, 600)
    const refused = [1, 2, 3].map((id) => {
      try {
        ledger.append(ended(id))
        return undefined
      } catch (error) {
        return error
      }
    })
    expect(refused[0]).toBeUndefined()
    expect(refused[2]).toMatchObject({ code: 'FP_LEDGER_FULL' })
    expect(await checkLedger(ledger.file)).toMatchObject({ intact: true, head: ledger.head.sum })
  })

  test('it stays full until there is room for the reserve twice over, then writing goes on', async () => {
    const disk = smallDisk()
    const ledger = await ledgerOn(disk, 10)
    const room = once(ledger.events, 'room')
    expect(() => ledger.append(begun(4))).toThrow()
    disk.room += RESERVE - 100
    const before = disk.refused
    await expect.poll(() => disk.refused).toBeGreaterThan(before + 1)
    expect(ledger.writable).toBe(false)
    disk.room += 100
    await room
    expect(ledger.writable).toBe(true)
    expect(statSync(join(ledger.records, RESERVE_FILE)).size).toBe(RESERVE)
    ledger.append(begun(4))
    expect(await checkLedger(ledger.file)).toMatchObject({ entries: 4, intact: true })
  })

  test('it closes in order all the same', async () => {
    const ledger = await ledgerOn(smallDisk(), 10)
    expect(() => ledger.append(begun(4))).toThrow()
    await ledger.close('told to stop')
    expect(kindsIn(ledger.file).at(-1)).toBe('closed')
  })

  test('a piece of a line that could not be taken back at once is taken back before the next line', async () => {
    const disk = smallDisk()
    const ledger = await ledgerOn(disk, 100)
    disk.failTruncate = 'EIO'
    expect(() => ledger.append(begun(4))).toThrow()
    expect(readFileSync(ledger.file, 'utf8').endsWith('\n')).toBe(false)
    disk.failTruncate = undefined
    ledger.append(ended(1))
    expect(await checkLedger(ledger.file)).toMatchObject({ entries: 4, intact: true })
  })

  test('a full disk at the start is said, and the lock is given back', async () => {
    const records = newFolder()
    const disk = smallDisk()
    disk.room = 100
    await expect(opened(records, { files: disk })).rejects.toMatchObject({ code: 'FP_LEDGER_FULL' })
    await expect(opened(records)).resolves.toBeDefined()
  })
})

test(
  'on a real disk that is full: refused, ended, and resumed when there is room again',
  needs('mount namespaces'),
  () => {
    const command = 'mount -t tmpfs -o size=1m none "$1" && exec "$2" "$3" "$1"'
    const script = [command, 'sh', newFolder(), process.execPath, childProgram('fill-disk.mjs')]
    const child = spawnSync('unshare', ['--map-root-user', '--mount', 'sh', '-c', ...script], {
      encoding: 'utf8',
    })
    expect({ status: child.status, stderr: child.stderr }).toEqual({ status: 0, stderr: '' })
    const told = JSON.parse(child.stdout) as { underWay: number }
    expect(told.underWay).toBeGreaterThanOrEqual(20)
    expect(told).toMatchObject({
      refusal: 'FP_LEDGER_FULL',
      writableWhenFull: false,
      reserveGone: true,
      whileFull: { entries: told.underWay * 2, intact: true },
      writableAgain: true,
      after: { entries: told.underWay * 2 + 3, intact: true },
    })
  },
)
