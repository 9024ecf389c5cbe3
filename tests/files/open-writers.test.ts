import { mkdir, mkdtemp, realpath, rm, symlink, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, beforeEach, expect, it } from 'vitest'
import { createWriterOf } from '../../server/files/open-writers.ts'

let proc: string
beforeEach(async () => {
  proc = await realpath(await mkdtemp(join(tmpdir(), 'proc-')))
})
afterEach(() => rm(proc, { recursive: true, force: true }))

async function descriptor(pid: number, fd: number, file: string, flags: string | undefined): Promise<void> {
  for (const folder of ['fd', 'fdinfo']) await mkdir(join(proc, `${pid}`, folder), { recursive: true })
  await symlink(file, join(proc, `${pid}`, 'fd', `${fd}`))
  if (flags === undefined) return
  await writeFile(join(proc, `${pid}`, 'fdinfo', `${fd}`), `pos:\t0\nflags:\t${flags}\nmnt_id:\t29\n`)
}

const writerOf = () => createWriterOf(proc, 'linux')('/stage/a.bin')

it.each([
  ['0100001', 'write-only'],
  ['0100002', 'for both'],
  ['02100001', 'write-only, close-on-exec'],
])('tells who has a file open with flags %s (%s)', async (flags) => {
  await descriptor(4711, 3, '/stage/a.bin', flags)
  await writeFile(join(proc, '4711', 'comm'), 'copier\n')
  expect(await writerOf()).toBe('copier (process 4711)')
})

it.each(['0100000', '02100000', '04000'])('is silent about one who reads (flags %s)', async (flags) => {
  await descriptor(4711, 3, '/stage/a.bin', flags)
  expect(await writerOf()).toBeUndefined()
})

it('finds the one who writes among those who read', async () => {
  await descriptor(11, 3, '/stage/a.bin', '0100000')
  await descriptor(11, 4, '/stage/a.bin', '0100002')
  await descriptor(12, 4, '/stage/b.bin', '0100002')
  expect(await writerOf()).toBe('process 11')
})

it('is silent about deleted files, sockets, processes that have just ended, and what is no process', async () => {
  await descriptor(11, 3, '/stage/a.bin (deleted)', '0100002')
  await descriptor(11, 4, 'socket:[4711]', '02')
  await descriptor(12, 5, '/stage/a.bin', undefined)
  await descriptor(13, 5, '/stage/a.bin', 'nonsense')
  await mkdir(join(proc, 'sys', 'fd'), { recursive: true })
  expect(await writerOf()).toBeUndefined()
  expect(await createWriterOf(join(proc, 'none'), 'linux')('/stage/a.bin')).toBeUndefined()
})

it('claims nothing on systems that do not show it', async () => {
  await descriptor(4711, 3, '/stage/a.bin', '0100001')
  for (const platform of ['win32', 'darwin'] as const)
    expect(await createWriterOf(proc, platform)('/stage/a.bin')).toBeUndefined()
})
