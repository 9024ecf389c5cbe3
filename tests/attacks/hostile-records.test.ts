/**
 * A borrowed staging folder whose `catalogue.json` or `lock.json` was made to hurt: nothing in them is believed that this
 * user's program has not read from the bytes of that very file, no server elsewhere is asked, and nothing is held up.
 */
import { once } from 'node:events'
import { mkdirSync, readFileSync, rmSync, utimesSync, writeFileSync } from 'node:fs'
import { type AddressInfo, createServer } from 'node:net'
import { hostname } from 'node:os'
import { join } from 'node:path'
import { describe, expect, onTestFinished, test } from 'vitest'
import { FIRST_PREV, sealLine } from '../../server/ledger/chain.ts'
import type { Entry, NewEntry } from '../../server/ledger/entries.ts'
import { hereNow } from '../../server/ledger/process-life.ts'
import { exchange, parseHead, request } from '../clients/raw-client.ts'
import {
  imageBytes,
  ledgerEntries,
  ledgerFile,
  type Served,
  serveFolder,
  sha256,
  stagingFolder,
} from '../clients/served.ts'
import { inProcess } from '../commands/in-process.ts'
import { commandsIn } from './terminal-commands.ts'

const CORE = imageBytes(20_000, 'core')
const MAKERS = imageBytes(20_000, 'what the maker published')

async function folderWithRecords(): Promise<{ folder: string; records: string }> {
  const folder = await stagingFolder({ 'core.bin': CORE }, onTestFinished)
  const records = join(folder, '.fetchproof')
  mkdirSync(records)
  return { folder, records }
}

async function tagOf(served: Served, target: string): Promise<string | undefined> {
  const { raw } = await exchange(served.port, request(target, [], 'HEAD'))
  return parseHead(raw)?.field('etag')
}

/** The ledger as its packer would seal it: the chain binds its lines to each other and to nobody. */
function rewriteLedger(folder: string, change: (text: string) => string): void {
  let place = { seq: 1, prev: FIRST_PREV }
  const lines = ledgerEntries(folder).map((entry) => {
    const {
      seq: _seq,
      at,
      prev: _prev,
      sum: _sum,
      ...body
    } = JSON.parse(change(JSON.stringify(entry))) as Entry
    const sealed = sealLine(place, Date.parse(at), body as NewEntry)
    place = { seq: place.seq + 1, prev: sealed.entry.sum }
    return `${sealed.line}\n`
  })
  writeFileSync(ledgerFile(folder), lines.join(''))
}

describe('catalogue.json', () => {
  test("the maker's digest for other bytes was believed where the ledger said the same", async () => {
    const { folder, records } = await folderWithRecords()
    const first = await serveFolder(folder, { cleanUp: onTestFinished })
    await first.image('core.bin')
    expect(await first.stop()).toBe(0)
    const forge = (text: string): string => text.replaceAll(sha256(CORE), sha256(MAKERS))
    rewriteLedger(folder, forge)
    const kept = join(records, 'catalogue.json')
    const text = readFileSync(kept, 'utf8')
    expect(forge(text)).not.toBe(text)
    writeFileSync(kept, forge(text))
    const second = await serveFolder(folder, { cleanUp: onTestFinished })
    await second.image('core.bin', sha256(CORE))
    expect(await tagOf(second, '/core.bin')).toBe(`"${sha256(CORE)}"`)
    const forged = second.entries.filter((entry) => entry.kind === 'image' && entry.sha256 !== sha256(CORE))
    expect(forged).toEqual([])
    expect(second.stderr()).toContain('were not kept by you on this laptop')
    expect(await second.stop()).toBe(0)
    // What this user's own program kept is believed: nothing is read, nothing recorded, nothing said.
    const third = await serveFolder(folder, { cleanUp: onTestFinished })
    await expect.poll(() => tagOf(third, '/core.bin'), { timeout: 15_000 }).toBe(`"${sha256(CORE)}"`)
    expect(await third.stop()).toBe(0)
    expect(third.entries.filter(({ kind }) => kind === 'image')).toEqual([])
    expect(third.stderr()).not.toContain('cannot be used')
  })

  test('that another user kept on another laptop is read again', async () => {
    const { folder } = await folderWithRecords()
    const state = await stagingFolder({}, onTestFinished)
    const theirs = await serveFolder(folder, { cleanUp: onTestFinished, env: { XDG_STATE_HOME: state } })
    await theirs.image('core.bin')
    expect(await theirs.stop()).toBe(0)
    const ours = await serveFolder(folder, { cleanUp: onTestFinished })
    await expect.poll(() => tagOf(ours, '/core.bin'), { timeout: 15_000 }).toBe(`"${sha256(CORE)}"`)
    expect(ours.stderr()).toContain('every image is read again')
    expect(await ours.stop()).toBe(0)
  })
})

describe('lock.json', () => {
  const ESC = '\u001b[2J\u202e'
  /** Names a process that runs, by all that can be compared. */
  const living = (more: object): string =>
    JSON.stringify({
      ...hereNow(),
      token: 't'.repeat(43),
      pagePort: 8081,
      since: '2026-01-05T09:00:00.000Z',
      ...more,
    })

  /** As one that was there before. */
  function plantLock(records: string, text: string): void {
    const file = join(records, 'lock.json')
    writeFileSync(file, text)
    const before = Date.now() / 1000 - 3600
    utimesSync(file, before, before)
  }

  test('what it says of its holder moves no cursor', async () => {
    const { folder, records } = await folderWithRecords()
    plantLock(records, living({ host: hostname(), pid: process.ppid, processStart: null, since: ESC }))
    const { status, stderr } = await inProcess(['serve', folder, '--listen', '127.0.0.1', '--port', '0'])
    expect([status, stderr]).toEqual([3, expect.stringContaining('FP_LEDGER_HELD')])
    expect(commandsIn(stderr)).toEqual([])
  })

  test('a port written as a name and a host made commands ask a server elsewhere', async () => {
    const { folder, records } = await folderWithRecords()
    // Its token is in this user's state folder from now on.
    const served = await serveFolder(folder, { cleanUp: onTestFinished })
    await served.image('core.bin')
    expect(await served.stop()).toBe(0)
    let asked = 0
    const elsewhere = createServer((socket) => {
      asked += 1
      socket.destroy()
    }).listen(0, '127.0.0.2')
    await once(elsewhere, 'listening')
    onTestFinished(() => void elsewhere.close())
    const { port } = elsewhere.address() as AddressInfo
    const { ppid: pid } = process
    plantLock(records, living({ pid, processStart: null, pagePort: `8081@127.0.0.2:${port}` }))
    for (const command of [['images'], ['hold', 'core.bin', '--reason', 'x', '--folder']]) {
      await inProcess([...command, folder])
    }
    expect(asked).toBe(0)
    rmSync(join(records, 'lock.json'), { force: true })
  })
})
