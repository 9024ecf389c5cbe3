/** The staging folder goes away and comes back while it is served: a stick that is pulled, a folder that is deleted. */
import { appendFileSync, existsSync, mkdirSync, rmSync, utimesSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, onTestFinished, test } from 'vitest'
import { checkLedger } from '../../server/ledger/read.ts'
import { ask, exchange, parseHead, request } from '../clients/raw-client.ts'
import {
  imageBytes,
  putFile,
  type ServedProgram,
  serveFolder,
  sha256,
  stagingFolder,
} from '../clients/served.ts'
import { audit } from '../commands/in-process.ts'
import { type Needed, needs } from '../needs.ts'
import { shown } from './bench.ts'
import { mountAgain, seenBy, takeAway, withDisks } from './small-mount.ts'

const LARGE = imageBytes(16 * 1024 * 1024, 'folder gone')
const SMALL = imageBytes(20_000, 'folder gone, small')
const OTHER = imageBytes(30_000, 'folder gone, other')
const DISK_MIB = 64

interface Scene {
  readonly served: ServedProgram
  readonly records: string
  /** Path for the test of something in the folder. */
  readonly folder: () => string
  goAway(): Promise<void>
  comeBack(): Promise<void>
}

type Scenery = (records: 'inside' | 'elsewhere') => Promise<Scene>

const asStick: Scenery = async (where) => {
  const folder = await stagingFolder({}, onTestFinished)
  const records = where === 'inside' ? join(folder, '.fetchproof') : await stagingFolder({}, onTestFinished)
  const served = await serveFolder(folder, {
    cleanUp: onTestFinished,
    under: withDisks({ [folder]: DISK_MIB }),
    flags: where === 'inside' ? [] : ['--records', records],
  })
  return {
    served,
    records: where === 'inside' ? seenBy(served, records) : records,
    folder: () => seenBy(served, folder),
    goAway: () => takeAway(served, folder),
    comeBack: () => mountAgain(served, folder, DISK_MIB),
  }
}

const asDeleted: Scenery = async (where) => {
  const folder = await stagingFolder({}, onTestFinished)
  const records = where === 'inside' ? join(folder, '.fetchproof') : await stagingFolder({}, onTestFinished)
  const flags = where === 'inside' ? [] : ['--records', records]
  const served = await serveFolder(folder, { cleanUp: onTestFinished, flags })
  return {
    served,
    records,
    folder: () => folder,
    // The server may write into it meanwhile.
    goAway: async () => rmSync(folder, { recursive: true, maxRetries: 10 }),
    comeBack: async () => void mkdirSync(folder),
  }
}

const sceneries: [string, Scenery, Needed][] = [
  ['a stick that is pulled and put back', asStick, 'mount namespaces'],
  ['a folder that is deleted and made again', asDeleted, 'POSIX'],
]

describe.each(sceneries)('%s', (_what, scenery, needed) => {
  test('takes its images away, ends fetches honestly, and is served again', needs(needed), async () => {
    const { served, records, folder, goAway, comeBack } = await scenery('elsewhere')
    putFile(folder(), 'large.bin', LARGE)
    putFile(folder(), 'small.bin', SMALL)
    await Promise.all([served.image('large.bin'), served.image('small.bin')])
    const underWay = await ask(served.port, '/large.bin')
    onTestFinished(() => underWay.reset())
    await underWay.readBody(1_000_000)

    await goAway()
    await served.entry('image-gone', ({ name }) => name === 'large.bin')
    await served.entry('image-gone', ({ name }) => name === 'small.bin')
    expect(await underWay.readToEnd()).toBe('reset')
    expect(await served.ended(underWay.port)).toMatchObject({
      ending: 'withdrawn',
      reason: 'the file was removed from the staging folder',
    })
    expect(parseHead((await exchange(served.port, request('/small.bin'))).raw)?.status).toBe(404)
    // Not: "the staging folder is empty".
    const gone = await shown(records, ({ troubles }) => troubles.length > 0)
    const said = gone.troubles.filter(({ message }) => message.includes('staging folder'))
    expect(said).toHaveLength(1)

    await comeBack()
    putFile(folder(), 'small.bin', SMALL)
    putFile(folder(), 'other.bin', OTHER)
    await served.image('other.bin')
    await expect
      .poll(async () => (await exchange(served.port, request('/small.bin'))).client.bodySha256(), {
        timeout: 15_000,
      })
      .toBe(sha256(SMALL))
    const { client } = await exchange(served.port, request('/other.bin'))
    expect(client.bodySha256()).toBe(sha256(OTHER))
    await served.ended(client.port)
    expect(await checkLedger(join(records, 'ledger.ndjson'))).toMatchObject({ intact: true })
    expect(await served.stop()).toBe(0)
  })

  test('with the ledger inside: it is said, and nothing more is served', needs(needed), async () => {
    const { served, folder, records, goAway, comeBack } = await scenery('inside')
    putFile(folder(), 'small.bin', SMALL)
    await served.image('small.bin')
    const before = await exchange(served.port, request('/small.bin'))
    await served.ended(before.client.port)
    await goAway()
    // At once, before anything has been noticed.
    const { raw, client } = await exchange(served.port, request('/small.bin'))
    expect([404, 503]).toContain(parseHead(raw)?.status)
    expect(client.bodyBytes).toBe(0)
    await expect.poll(() => served.stderr(), { timeout: 10_000 }).toContain('The ledger cannot be written')
    await comeBack()
    putFile(folder(), 'small.bin', SMALL)
    const after = await exchange(served.port, request('/small.bin'))
    expect(parseHead(after.raw)?.status).toBe(503)
    // Nothing of ours appears where the folder was, now or at the end: with a place that is taken a system puts a stick
    // back under another name.
    const placeTaken = existsSync(records)
    expect(await served.stop()).toBe(0)
    expect(placeTaken || existsSync(join(served.folder, '.fetchproof'))).toBe(false)
  })
})

test(
  'another disk in the place of one that was pulled: a file of the same name, size and time is read anew',
  needs('mount namespaces'),
  async () => {
    const folder = await stagingFolder({}, onTestFinished)
    const records = await stagingFolder({}, onTestFinished)
    const served = await serveFolder(folder, {
      cleanUp: onTestFinished,
      under: withDisks({ [folder]: DISK_MIB }),
      flags: ['--records', records],
    })
    const there = seenBy(served, join(folder, 'small.bin'))
    const put = (bytes: Buffer): void => {
      writeFileSync(there, bytes)
      utimesSync(there, 1_700_000_000, 1_700_000_000)
    }
    put(SMALL)
    await served.image('small.bin', sha256(SMALL))
    for (const [type, seed] of [
      ['ramfs', 'another file system'],
      ['tmpfs', 'another disk'],
    ] as const) {
      const bytes = imageBytes(SMALL.length, seed)
      await takeAway(served, folder)
      await mountAgain(served, folder, DISK_MIB, type)
      put(bytes)
      await served.image('small.bin', sha256(bytes))
      const { client } = await exchange(served.port, request('/small.bin'))
      expect(client.bodySha256()).toBe(sha256(bytes))
    }
    expect(await checkLedger(join(records, 'ledger.ndjson'))).toMatchObject({ intact: true })
    expect(await served.stop()).toBe(0)
  },
)

test('lines that another program appends to the ledger are said at once, with how to go on', async () => {
  const served = await serveFolder(await stagingFolder({ 'small.bin': SMALL }, onTestFinished), {
    cleanUp: onTestFinished,
  })
  await served.image('small.bin')
  appendFileSync(join(served.folder, '.fetchproof', 'ledger.ndjson'), 'not ours\n')
  await expect
    .poll(() => served.stderr(), { timeout: 10_000 })
    .toContain('another program wrote into the ledger file: stop this server, keep the file as it is')
  const { raw, client } = await exchange(served.port, request('/small.bin'))
  expect(parseHead(raw)?.status).toBe(503)
  expect(client.bodyBytes).toBe(0)
  expect(await served.stop()).toBe(0)
})

test('a ledger file that is removed by itself is missed by the very next fetch', async () => {
  const served = await serveFolder(await stagingFolder({ 'small.bin': SMALL }, onTestFinished), {
    cleanUp: onTestFinished,
  })
  await served.image('small.bin')
  const first = await exchange(served.port, request('/small.bin'))
  await served.ended(first.client.port)
  expect((await audit(served.folder)).ledger.intact).toBe(true)
  rmSync(join(served.folder, '.fetchproof', 'ledger.ndjson'))
  const { raw, client } = await exchange(served.port, request('/small.bin'))
  expect(parseHead(raw)?.status).toBe(503)
  expect(client.bodyBytes).toBe(0)
  await expect.poll(() => served.stderr(), { timeout: 10_000 }).toContain('moved or removed the ledger file')
  expect(await served.stop()).toBe(0)
})
