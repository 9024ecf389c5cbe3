/**
 * Real firmware and boot images against checksums that somebody else published: what Debian's packages carry, with
 * the md5sums lists that came in the same packages (deb-md5sums(5)). `.ci/run` installs them.
 */
import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { beforeAll, describe, expect, test } from 'vitest'
import { inProcess } from '../commands/in-process.ts'
import { needs } from '../needs.ts'
import { type Served, serveFolder, stagingFolder, untilAllDone } from './served.ts'

const LISTS = '/var/lib/dpkg/info'
const PACKAGES = ['firmware-linux-free', 'ipxe', 'ipxe-qemu', 'seabios', 'u-boot-qemu'] as const
const IMAGE_FOLDERS = /^(usr\/)?(lib\/(firmware|ipxe|u-boot)|share\/(qemu|seabios)|boot)\//

interface Listed {
  readonly name: string
  readonly plainPath: string
  readonly state: string
  readonly reason?: string
  readonly published: { readonly standing: string; readonly algorithm?: string; readonly source?: string }
  readonly format: { readonly verdict: string }
}

/** The images that a package's list names and that are files, and the list itself. */
function contentsOf(packaged: string): Record<string, Buffer> {
  const list = readFileSync(join(LISTS, `${packaged}.md5sums`))
  const names = list
    .toString()
    .split('\n')
    .map((line) => line.slice(34))
    .filter((name) => IMAGE_FOLDERS.test(name))
  const images = names.map((name) => [name, readFileSync(`/${name}`)] as const)
  return { ...Object.fromEntries(images), [`${packaged}.md5sums`]: list }
}

function flipped(bytes: Buffer, seed: number): Buffer {
  const changed = Buffer.from(bytes)
  const at = (seed * 7919) % bytes.length
  changed.writeUInt8(changed.readUInt8(at) ^ (1 << (seed % 8)), at)
  return changed
}

const installed = PACKAGES.filter((packaged) => existsSync(join(LISTS, `${packaged}.md5sums`)))

describe('images of Debian packages, staged with their packages’ md5sums lists', needs(...PACKAGES), () => {
  const whenAllDone = untilAllDone()
  const files: Record<string, Buffer> = Object.assign({}, ...installed.map(contentsOf))
  const names = Object.keys(files).filter((name) => !name.endsWith('.md5sums'))

  async function listed(served: Served): Promise<Listed[]> {
    for (const name of names) await served.image(name)
    const list = async (): Promise<Listed[]> => {
      const { stdout } = await inProcess(['images', served.folder, '--format', 'json'])
      return (JSON.parse(stdout) as { images: Listed[] }).images
    }
    // The list beside them may be read after them: each is read again then, for its MD5. And what differs is held only
    // once its quiet time is over: on a busy machine some were copied too shortly before.
    let images: Listed[] = []
    await expect
      .poll(
        async () => {
          images = await list()
          return images.filter(
            ({ published, state }) => published.standing === 'none' || state === 'settling',
          ).length
        },
        { timeout: 40_000, interval: 500 },
      )
      .toBe(0)
    return images
  }

  beforeAll(() => {
    expect(installed).toEqual(PACKAGES)
    expect(names.length).toBeGreaterThan(50)
  })

  test('all match, and none is called damaged', { timeout: 60_000 }, async () => {
    const folder = await stagingFolder(files, whenAllDone)
    const served = await serveFolder(folder, { cleanUp: whenAllDone })
    const images = await listed(served)
    expect(new Set(images.map(({ name }) => name))).toEqual(new Set(names))
    expect(images.filter(({ published }) => published.standing !== 'matches')).toEqual([])
    expect(images.filter(({ format }) => format.verdict === 'damaged')).toEqual([])
    expect(await served.stop()).toBe(0)
  })

  test('with one bit flipped in each file all differ, are held, and answered 409', {
    timeout: 60_000,
  }, async () => {
    const harmed = Object.entries(files).map(([name, bytes], at) => [
      name,
      name.endsWith('.md5sums') ? bytes : flipped(bytes, at),
    ])
    const folder = await stagingFolder(Object.fromEntries(harmed), whenAllDone)
    const served = await serveFolder(folder, { cleanUp: whenAllDone })
    const images = await listed(served)
    expect(images).toHaveLength(names.length)
    expect(
      images.filter(({ state, published }) => state !== 'held' || published.standing !== 'differs'),
    ).toEqual([])
    for (const { plainPath } of images) {
      const answer = await fetch(`http://127.0.0.1:${served.port}${plainPath}`)
      expect([plainPath, answer.status, (await answer.arrayBuffer()).byteLength]).toEqual([plainPath, 409, 0])
    }
    expect(await served.stop()).toBe(0)
  })
})
