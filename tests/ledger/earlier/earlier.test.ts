/**
 * Ledgers written by earlier programs, each of them the last before the format gained something, are read with the
 * same pulls. What stands beside a ledger are the pulls as the program that wrote it read them; record.mjs made both.
 *
 *   without-up-ms            fetches have wall-clock times only
 *   without-also             checksums pasted together are entries apart
 *   without-acknowledged-ms  when the send queue was seen empty was not kept
 *   without-checksum-list    fetches of the list of checksums were not recorded
 *   before-standings         lifts name no reasons; holds name nobody; nothing can be struck
 */
import { copyFileSync, mkdirSync, readdirSync, readFileSync } from 'node:fs'
import { dirname, join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import type { PullRecord } from '../../../server/delivery/records.ts'
import { imageBytes, ledgerEntries, ledgerFile, serveFolder, stagingFolder } from '../../clients/served.ts'
import { audit, inProcess } from '../../commands/in-process.ts'

const HERE = import.meta.dirname
const NAMES = readdirSync(HERE).flatMap((file) => (file.endsWith('.ndjson') ? [file.slice(0, -7)] : []))

async function folderWith(name: string): Promise<string> {
  const folder = await stagingFolder({ 'later-1.0.bin': imageBytes(40_000, 'later') }, onTestFinished)
  mkdirSync(dirname(ledgerFile(folder)))
  copyFileSync(join(HERE, `${name}.ndjson`), ledgerFile(folder))
  return folder
}

/** Without the sentences about a pull, whose words change, and its rate: earlier programs counted the wait for the close. */
function pullsAsRead(name: string): Omit<PullRecord, 'notes' | 'seconds' | 'bytesPerSecond'>[] {
  const pulls = JSON.parse(readFileSync(join(HERE, `${name}.json`), 'utf8')) as PullRecord[]
  return pulls.map(({ notes, seconds, bytesPerSecond, ...pull }) => pull)
}

test('there are ledgers of earlier programs, and each has pulls of every state', () => {
  expect(NAMES.length).toBeGreaterThanOrEqual(5)
  for (const name of NAMES) {
    const states = new Set(pullsAsRead(name).map(({ state }) => state))
    expect(states).toEqual(new Set(['complete', 'incomplete', 'unconfirmed']))
  }
})

test.each(NAMES)('%s: read with the same pulls, chain intact', async (name) => {
  const folder = await folderWith(name)
  const read = await audit(folder)
  expect(read.pulls).toMatchObject(pullsAsRead(name))
  const entries = ledgerEntries(folder)
  expect(read.ledger).toMatchObject({ entries: entries.length, intact: true, head: entries.at(-1)?.sum })
  const report = await inProcess(['report', folder, '--format', 'json'])
  expect([report.status, report.stderr]).toEqual([0, ''])
  const { plan } = JSON.parse(report.stdout) as { plan: { devices: { device: string }[] } }
  expect(plan.devices).toHaveLength(8)
})

test.each(['without-up-ms', 'before-standings'])(
  '%s: a server goes on with it, and its pulls stay the same',
  async (name) => {
    const folder = await folderWith(name)
    const serving = await serveFolder(folder, { cleanUp: onTestFinished })
    await serving.image('later-1.0.bin')
    const response = await fetch(`http://127.0.0.1:${serving.port}/later-1.0.bin`)
    await response.arrayBuffer()
    await serving.entry('fetch-ended', ({ ending }) => ending === 'delivered')
    expect(await serving.stop()).toBe(0)
    // The folder has no visit sheet now, so that no pull has a device's name.
    const earlier = pullsAsRead(name).map(({ client, ...pull }) => ({
      ...pull,
      client: { ...client, device: null },
    }))
    const { pulls, ledger } = await audit(folder)
    expect(ledger.intact).toBe(true)
    expect(pulls).toMatchObject([...earlier, { image: { name: 'later-1.0.bin' }, state: 'complete' }])
  },
)
