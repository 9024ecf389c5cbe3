import { execFileSync } from 'node:child_process'
import { mkdir, rename, symlink, unlink, writeFile } from 'node:fs/promises'
import { createServer } from 'node:net'
import { join } from 'node:path'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import {
  checkFolder,
  isInside,
  openAgain,
  openInside,
  sameFile,
  sameInode,
} from '../../server/files/folder.ts'
import { needs } from '../needs.ts'
import { type Stage, stage } from '../staging/stage.ts'

let place: Stage
beforeEach(async () => {
  place = await stage()
})
afterEach(() => place.close())

describe('a file by device and inode', () => {
  // libuv 1.49 gave 64 bits of the volume's number for a path and 32 for a handle (its change log, from memory).
  it.each([
    ['the same in both forms', 0xa1b2c3d4_5e6f7081n, 0x5e6f7081n, true],
    ['the same in both forms, the other way round', 0x5e6f7081n, 0xa1b2c3d4_5e6f7081n, true],
    ['the same, with a sign', BigInt.asIntN(64, 0xf1b2c3d4_5e6f7081n), 0x5e6f7081n, true],
    ['another volume', 0xa1b2c3d4_5e6f7081n, 0x5e6f7082n, false],
    ['two volumes of 64 bits that share the low ones', 0xa1b2c3d4_5e6f7081n, 0xa1b2c3d5_5e6f7081n, false],
  ])('on Windows is compared on what is comparable: %s', (_what, dev, other, same) => {
    expect(sameInode({ dev, ino: 7n }, { dev: other, ino: 7n }, 'win32')).toBe(same)
    expect(sameInode({ dev, ino: 7n }, { dev: other, ino: 8n }, 'win32')).toBe(false)
    expect(sameInode({ dev, ino: 7n }, { dev: other, ino: 7n }, 'linux')).toBe(false)
    expect(sameInode({ dev, ino: 7n }, { dev, ino: 7n }, 'linux')).toBe(true)
  })
})

describe('the staging folder', () => {
  it('is refused with a code when it is missing or a file', async () => {
    await writeFile(place.path('file'), 'x')
    await expect(checkFolder(place.path('none'))).rejects.toMatchObject({ code: 'FP_FOLDER_MISSING' })
    await expect(checkFolder(place.path('file'))).rejects.toMatchObject({ code: 'FP_FOLDER_NOT_FOLDER' })
    await expect(checkFolder(place.path('file/below'))).rejects.toMatchObject({
      code: 'FP_FOLDER_NOT_FOLDER',
    })
  })

  it('is answered with its real path', async () => {
    await mkdir(place.path('real'))
    await symlink(place.path('real'), place.path('link'))
    expect(await checkFolder(place.path('link'))).toBe(place.path('real'))
  })

  it('does not contain itself, its neighbours or what starts like it', () => {
    const at = (...parts: string[]) => join('/a', ...parts)
    expect(isInside(at('b'), at('b', '..c'))).toBe(true)
    expect(isInside(at('b'), at('b'))).toBe(false)
    expect(isInside(at('b'), at('bc'))).toBe(false)
    expect(isInside(at('b'), at('c'))).toBe(false)
  })
})

describe('opening an image', () => {
  it('gives one descriptor for stat and reads, and notices a change through it', async () => {
    await writeFile(place.path('x.bin'), 'hello')
    const file = await openInside(place.folder, place.path('x.bin'))
    expect(file.identity.size).toBe(5n)
    expect(Buffer.from(await file.readHead(100)).toString()).toBe('hello')
    expect(sameFile(await file.stat(), file.identity)).toBe(true)
    await writeFile(place.path('x.bin'), 'longer than before')
    expect(sameFile(await file.stat(), file.identity)).toBe(false)
    await file.close()
    await file.close()
  })

  it('follows a link within the folder, and none out of it', async () => {
    const outside = await stage()
    await writeFile(outside.path('secret'), 'x')
    await writeFile(place.path('x.bin'), 'x')
    await symlink(outside.path('secret'), place.path('out.bin'))
    await symlink(outside.folder, place.path('sub'))
    await symlink('x.bin', place.path('in.bin'))
    const open = (name: string) => openInside(place.folder, place.path(name))
    await expect(open('out.bin')).rejects.toMatchObject({ code: 'FP_IMAGE_OUTSIDE' })
    await expect(open('sub/secret')).rejects.toMatchObject({ code: 'FP_IMAGE_OUTSIDE' })
    await expect(open('../x')).rejects.toMatchObject({
      code: expect.stringMatching(/ENOENT|FP_IMAGE_OUTSIDE/),
    })
    await (await open('in.bin')).close()
    await outside.close()
  })

  it('does not wait for a named pipe, nor take a socket', needs('POSIX'), async () => {
    execFileSync('mkfifo', [place.path('pipe.bin')])
    const server = createServer().listen(place.path('socket.bin'))
    const open = (name: string) => openInside(place.folder, place.path(name))
    await expect(open('pipe.bin')).rejects.toMatchObject({ code: 'FP_IMAGE_NOT_FILE' })
    await expect(open('socket.bin')).rejects.toMatchObject({
      code: expect.stringMatching(/ENXIO|EOPNOTSUPP/),
    })
    await expect(openInside(place.folder, place.folder)).rejects.toMatchObject({ code: 'FP_IMAGE_OUTSIDE' })
    server.close()
  })

  it('again: its identity tells whether it is the file that was opened before', needs('POSIX'), async () => {
    await writeFile(place.path('x.bin'), 'x')
    const before = await openInside(place.folder, place.path('x.bin'))
    const isSame = async (): Promise<boolean> => {
      const again = await openAgain(place.path('x.bin'))
      await again.close()
      return sameFile(again.identity, before.identity)
    }
    expect(await isSame()).toBe(true)
    for (const other of [
      ['mkfifo'],
      ['ln', '-s', '/etc/hostname'],
      ['cp', '--preserve', place.path('kept.bin')],
    ]) {
      await rename(place.path('x.bin'), place.path('kept.bin'))
      execFileSync(other[0] ?? '', [...other.slice(1), place.path('x.bin')])
      expect(await isSame()).toBe(false)
      await unlink(place.path('x.bin'))
      await rename(place.path('kept.bin'), place.path('x.bin'))
    }
    await before.close()
  })

  it('never gives bytes from outside, however often a link is swapped meanwhile', async () => {
    const outside = await stage()
    await writeFile(outside.path('x.bin'), 'outside')
    await writeFile(place.path('inside.bin'), 'inside')
    const swapping = new AbortController()
    const swaps = (async () => {
      for (let count = 0; !swapping.signal.aborted; count += 1) {
        const target = count % 2 === 0 ? outside.path('x.bin') : place.path('inside.bin')
        await symlink(target, place.path('new'))
        await rename(place.path('new'), place.path('x.bin'))
      }
    })()
    const seen = new Set<string>()
    for (let count = 0; count < 400; count += 1) {
      try {
        const file = await openInside(place.folder, place.path('x.bin'))
        seen.add(Buffer.from(await file.readHead(100)).toString())
        await file.close()
      } catch (error) {
        expect(error).toMatchObject({
          code: expect.stringMatching(/^(FP_IMAGE_OUTSIDE|FP_IMAGE_CHANGED|ENOENT)$/),
        })
      }
    }
    swapping.abort()
    await swaps
    await unlink(place.path('x.bin'))
    expect([...seen].filter((text) => text !== 'inside')).toEqual([])
    await outside.close()
  })
})
