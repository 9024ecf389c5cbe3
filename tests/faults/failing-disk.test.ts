/**
 * The disk of the images fails in the middle of reading (EIO), by a preload that makes the program's own calls fail as
 * such a disk does. Must hold: what cannot be read is never sent and never offered, fetches of it are reset and told as
 * withdrawn, everything else goes on, and once the disk answers again so does the server.
 */
import { rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, onTestFinished, test } from 'vitest'
import { ask, exchange, parseHead, request } from '../clients/raw-client.ts'
import { imageBytes, putFile, type Served, serveFolder, sha256, stagingFolder } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { shown } from './bench.ts'

const MIB = 1024 * 1024
const LARGE = imageBytes(24 * MIB, 'failing disk')
const SMALL = imageBytes(20_000, 'failing disk, small')
const PRELOAD = fileURLToPath(new URL('failing-disk.cjs', import.meta.url))

interface Disk {
  readonly served: Served
  fail(): void
  work(): void
}

async function onDisk(failing: boolean): Promise<Disk> {
  const folder = await stagingFolder({ 'large.bin': LARGE, 'small.bin': SMALL }, onTestFinished)
  const sign = join(await stagingFolder({}, onTestFinished), 'fails')
  if (failing) writeFileSync(sign, '')
  const served = await serveFolder(folder, {
    cleanUp: onTestFinished,
    env: { NODE_OPTIONS: `--require ${PRELOAD}`, FAILING_DISK: sign, FAILING_FOLDER: folder },
  })
  return { served, fail: () => writeFileSync(sign, ''), work: () => rmSync(sign) }
}

async function servedWhole({ port }: Served, target: string, bytes: Buffer): Promise<boolean> {
  return (await exchange(port, request(target))).client.bodySha256() === sha256(bytes)
}

test(
  'under fetches on their way: they are reset and withdrawn, and the image comes back',
  needs('Linux'),
  async () => {
    const { served, fail, work } = await onDisk(false)
    await Promise.all([served.image('large.bin'), served.image('small.bin')])
    const clients = []
    for (const bytes of [4 * MIB, 200_000]) {
      const client = await ask(served.port, '/large.bin', { keep: true })
      onTestFinished(() => client.reset())
      await client.readBody(bytes)
      clients.push(client)
    }
    fail()
    for (const client of clients) {
      expect(await client.readToEnd()).toBe('reset')
      const body = client.body()
      expect(body.length).toBeLessThan(LARGE.length)
      expect(body.equals(LARGE.subarray(0, body.length))).toBe(true)
      expect(await served.ended(client.port)).toMatchObject({ ending: 'withdrawn' })
    }
    const { images } = await shown(join(served.folder, '.fetchproof'), ({ images: all }) =>
      all.some(({ state }) => state === 'locked'),
    )
    expect(images.find(({ name }) => name === 'large.bin')).toMatchObject({
      state: 'locked',
      reason: expect.stringContaining('EIO'),
    })
    const refused = await exchange(served.port, request('/large.bin'))
    expect(parseHead(refused.raw)?.status).toBe(503)
    expect(await servedWhole(served, '/small.bin', SMALL)).toBe(true)
    work()
    await expect.poll(() => servedWhole(served, '/large.bin', LARGE), { timeout: 20_000 }).toBe(true)
    expect(await served.stop()).toBe(0)
    expect(served.stderr()).not.toMatch(/fault of this program|at .*\.js/)
  },
)

test(
  'while an image is digested: it is not offered, the other one is, until the disk answers',
  needs('Linux'),
  async () => {
    const { served, work } = await onDisk(true)
    await served.image('small.bin')
    await shown(join(served.folder, '.fetchproof'), ({ images }) =>
      images.some(({ name, state }) => name === 'large.bin' && state === 'locked'),
    )
    const { raw, client } = await exchange(served.port, request('/large.bin'))
    expect(parseHead(raw)?.status).toBe(503)
    expect(client.bodyBytes).toBe(0)
    expect(await servedWhole(served, '/small.bin', SMALL)).toBe(true)
    work()
    await served.image('large.bin', sha256(LARGE))
    expect(await servedWhole(served, '/large.bin', LARGE)).toBe(true)
    putFile(served.folder, 'large.bin', SMALL)
    await served.image('large.bin', sha256(SMALL))
    expect(await served.stop()).toBe(0)
  },
)
