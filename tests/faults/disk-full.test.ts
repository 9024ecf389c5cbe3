/** The disk of the ledger full, and free again, with the whole server and clients that pull meanwhile. */
import { mkdirSync, readFileSync, rmSync } from 'node:fs'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import type { Entry, EntryOf } from '../../server/ledger/entries.ts'
import { checkLedger } from '../../server/ledger/read.ts'
import { ask, exchange, parseHead, request } from '../clients/raw-client.ts'
import {
  freeUdpPort,
  imageBytes,
  putFile,
  type ServedProgram,
  serveFolder,
  sha256,
  stagingFolder,
} from '../clients/served.ts'
import { needs } from '../needs.ts'
import { pull } from '../tftp-port/door.ts'
import { shown } from './bench.ts'
import { fillUp, seenBy, withDisks } from './small-mount.ts'

const LARGE = imageBytes(16 * 1024 * 1024, 'disk full')
const SMALL = imageBytes(20_000, 'disk full, small')
const DISK_MIB = 4

async function servingOnSmallDisk(
  flags: readonly string[] = [],
): Promise<{ served: ServedProgram; records: string }> {
  const folder = await stagingFolder({ 'large.bin': LARGE, 'small.bin': SMALL }, onTestFinished)
  const records = join(await stagingFolder({}, onTestFinished), 'records')
  mkdirSync(records)
  const served = await serveFolder(folder, {
    cleanUp: onTestFinished,
    under: withDisks({ [records]: DISK_MIB }),
    flags: ['--records', records, ...flags],
  })
  return { served, records }
}

test(
  'what is under way goes on and is recorded, new fetches get 503, and serving resumes by itself',
  needs('mount namespaces'),
  async () => {
    const tftpPort = await freeUdpPort()
    const { served, records } = await servingOnSmallDisk(['--tftp', '--tftp-port', String(tftpPort)])
    const ledger = seenBy(served, join(records, 'ledger.ndjson'))
    const page = seenBy(served, records)
    await Promise.all([served.image('large.bin'), served.image('small.bin')])
    const underWay = await Promise.all([1, 2, 3].map(() => ask(served.port, '/large.bin')))
    for (const client of underWay) {
      onTestFinished(() => client.reset())
      await client.readBody(100_000)
    }

    const filler = fillUp(served, records)
    // What is left of the last page of the ledger file still takes some entries.
    const whileFilling: { port: number; status: number; body: Buffer }[] = []
    for (let turn = 0; turn < 40 && whileFilling.at(-1)?.status !== 503; turn += 1) {
      const { raw, client } = await exchange(served.port, request('/small.bin'))
      whileFilling.push({ port: client.port, status: parseHead(raw)?.status ?? 0, body: client.body() })
      if (whileFilling.at(-1)?.status === 503) expect(parseHead(raw)?.field('retry-after')).toBe('5')
    }
    expect(whileFilling.at(-1)?.status).toBe(503)
    const refused = await exchange(served.port, request('/small.bin'))
    expect(parseHead(refused.raw)?.status).toBe(503)
    expect(refused.client.bodyBytes).toBe(0)
    const byTftp = await pull({ port: tftpPort }, 'small.bin')
    expect(byTftp.refused).toEqual({
      code: 0,
      text: 'the ledger cannot be written: without a record nothing is served.',
    })
    const full = await shown(page, (snapshot) => !snapshot.ledger.writable)
    expect(full.troubles.filter(({ message }) => message.includes('is full'))).toHaveLength(1)
    expect(full.nextSteps).toContainEqual(expect.objectContaining({ key: 'ledger', weight: 'act' }))
    expect(served.stderr()).toContain('The disk that holds the ledger is full')
    // Files that come meanwhile are digested all the same, and recorded later.
    const late = imageBytes(30_000, 'came while full')
    putFile(served.folder, 'late.bin', late)
    for (const client of underWay) {
      expect(await client.readToEnd()).toBe('closed')
      await client.close()
      expect(client.bodySha256()).toBe(sha256(LARGE))
      expect(await served.ended(client.port)).toMatchObject({ ending: 'delivered' })
    }

    rmSync(filler)
    await shown(page, (snapshot) => snapshot.ledger.writable)
    await served.image('late.bin')
    const again = await exchange(served.port, request('/late.bin'))
    expect(again.client.bodySha256()).toBe(sha256(late))
    await served.ended(again.client.port)
    expect(served.stderr()).toContain('There is room for the ledger again')
    expect(await checkLedger(ledger)).toMatchObject({ intact: true })
    const entries = readFileSync(ledger, 'utf8')
      .split('\n')
      .filter((line) => line !== '')
      .map((line) => JSON.parse(line) as Entry)
    const begun = entries.filter((entry): entry is EntryOf<'fetch-begun'> => entry.kind === 'fetch-begun')
    const ports = begun.map(({ client }) => client.port)
    for (const { port, status, body } of whileFilling) {
      expect(ports.includes(port)).toBe(status === 200)
      expect(body.length).toBe(status === 200 ? SMALL.length : 0)
    }
    const ended = entries.flatMap((entry) => (entry.kind === 'fetch-ended' ? [entry.id] : []))
    expect(begun.filter(({ id }) => !ended.includes(id))).toEqual([])
    // Said once and not once a refusal.
    const troubles = (await shown(page, () => true)).troubles.map(({ message }) => message)
    expect(troubles.length).toBeLessThanOrEqual(4)
    expect(await served.stop()).toBe(0)
  },
)

test(
  'the terminal says in words that the disk is full and that there is room again',
  needs('mount namespaces'),
  async () => {
    const { served, records } = await servingOnSmallDisk(['--format', 'text'])
    const page = seenBy(served, records)
    await shown(page, ({ images }) => images.filter(({ state }) => state === 'ready').length === 2)
    const filler = fillUp(served, records)
    for (let turn = 0; turn < 60; turn += 1) {
      const { raw } = await exchange(served.port, request('/small.bin'))
      if (parseHead(raw)?.status === 503) break
    }
    const said = (): string => served.otherLines.join('\n')
    await expect.poll(said, { timeout: 10_000 }).toContain('The disk that holds the ledger is full')
    rmSync(filler)
    await expect.poll(said, { timeout: 10_000 }).toContain('There is room for the ledger again')
    expect(await served.stop()).toBe(0)
  },
)
