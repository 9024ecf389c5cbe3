/** Putting one file in the place of another, also where the system refuses for a moment, and what dead writers leave. */
import { spawnSync } from 'node:child_process'
import { readdir, readFile, rename, writeFile } from 'node:fs/promises'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { renameOver, replaceFile, sweepBeside } from '../../server/files/replacing.ts'
import { type Stage, stage } from '../staging/stage.ts'

let place: Stage
beforeEach(async () => {
  place = await stage()
})
afterEach(() => place.close())

function refusing(code: string, times: number) {
  const tries: string[] = []
  const move = async (from: Parameters<typeof rename>[0], to: Parameters<typeof rename>[1]) => {
    tries.push(code)
    if (tries.length <= times) throw Object.assign(new Error(code), { code })
    await rename(from, to)
  }
  return { tries, move }
}

describe('renaming over a file', () => {
  it.each(['EPERM', 'EACCES', 'EBUSY'])('that another program reads is tried again (%s)', async (code) => {
    await writeFile(place.path('new'), 'new')
    await writeFile(place.path('old'), 'old')
    const { tries, move } = refusing(code, 3)
    await renameOver(place.path('new'), place.path('old'), move)
    expect(tries).toHaveLength(4)
    expect(await readFile(place.path('old'), 'utf8')).toBe('new')
    expect(await readdir(place.folder)).toEqual(['old'])
  })

  it('is given up where it is refused again and again, and at once for another reason', async () => {
    const stubborn = refusing('EPERM', Number.POSITIVE_INFINITY)
    await expect(renameOver('a', 'b', stubborn.move)).rejects.toMatchObject({ code: 'EPERM' })
    expect(stubborn.tries.length).toBeGreaterThan(3)
    const other = refusing('EXDEV', 1)
    await expect(renameOver('a', 'b', other.move)).rejects.toMatchObject({ code: 'EXDEV' })
    expect(other.tries).toHaveLength(1)
  })
})

describe('what replacing leaves beside a file', () => {
  it('is nothing, whether it worked or not', async () => {
    await replaceFile(place.path('kept.json'), '1')
    await expect(replaceFile(place.path('none/kept.json'), '2')).rejects.toMatchObject({ code: 'ENOENT' })
    expect(await readdir(place.folder)).toEqual(['kept.json'])
  })

  it('by a process that died is swept, by one that runs is not, and no other file is', async () => {
    const dead = spawnSync(process.execPath, ['--version']).pid
    const gone = [`kept.json.${dead}.new`, `kept.json.${process.pid}.new`]
    const stay = [
      `kept.json.${process.ppid}.new`,
      'kept.json',
      'kept.json.bak',
      'kept.json.new',
      `kept.json.${dead}.new.part`,
      `other.json.${dead}.new`,
      'kept.json.0x1.new',
    ]
    for (const name of [...gone, ...stay]) await writeFile(place.path(name), name)
    await sweepBeside(place.path('kept.json'))
    expect(new Set(await readdir(place.folder))).toEqual(new Set(stay))
    await sweepBeside(place.path('none/kept.json'))
  })
})
