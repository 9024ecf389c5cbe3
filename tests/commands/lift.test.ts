/** `fetchproof lift`: only what is held, only with a reason, recorded before it counts. */
import { createHash } from 'node:crypto'
import { once } from 'node:events'
import { get, type IncomingMessage } from 'node:http'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { liftOf } from '../../server/depot/image-records.ts'
import type { EntryOf } from '../../server/ledger/entries.ts'
import type { Image } from '../../server/staging/image.ts'
import { imageBytes, ledgerEntries, putFile, serveFilesHere, stagingFolder } from '../clients/served.ts'
import { inProcess } from './in-process.ts'

const DESK = imageBytes(50_000, 'desk')
const SHA256 = createHash('sha256').update(DESK).digest('hex')
/** Held: the checksum beside it is another one. */
const FILES = {
  'desk.bin': DESK,
  'desk.bin.sha256': Buffer.from(`${'ab'.repeat(32)}  desk.bin\n`),
  'gate 1.img': imageBytes(1_000, 'gate'),
}
const REASON = 'the checksum on the page is of the older build; compared by telephone'
const cleanUp = onTestFinished

const lift = (folder: string, image: string, ...more: string[]) =>
  inProcess(['lift', image, '--reason', REASON, '--folder', folder, ...more])

function lifted(folder: string): EntryOf<'lifted'>[] {
  return ledgerEntries(folder).filter((entry): entry is EntryOf<'lifted'> => entry.kind === 'lifted')
}

async function statusOf(port: number, path: string): Promise<number | undefined> {
  const [response] = (await once(get({ port, path, host: '127.0.0.1' }), 'response')) as [IncomingMessage]
  response.resume()
  return response.statusCode
}

test('a held image is lifted for its present bytes, and later commands see it ready', async () => {
  const folder = await stagingFolder(FILES, cleanUp)
  expect((await inProcess(['images', folder])).status).toBe(1)
  const { status, stdout } = await lift(folder, 'desk.bin', '--by', 'M. Engineer')
  expect(status).toBe(0)
  expect(stdout).toContain(`lifted by M. Engineer (${REASON})`)
  expect(stdout).toContain('It was held: Its SHA-256 is not the published one')
  expect(lifted(folder)).toMatchObject([
    { name: 'desk.bin', sha256: SHA256, reason: REASON, by: 'M. Engineer' },
  ])
  expect((await inProcess(['images', folder])).status).toBe(0)
  expect((await inProcess(['audit', folder, '--check'])).stdout).toContain('intact')
})

test('a changed file is held again: the lift was for other bytes', async () => {
  const folder = await stagingFolder(FILES, cleanUp)
  await lift(folder, 'desk.bin')
  putFile(folder, 'desk.bin', imageBytes(50_001, 'another'))
  expect((await inProcess(['images', folder])).status).toBe(1)
})

test('what is not held cannot be lifted, and nothing is recorded', async () => {
  const folder = await stagingFolder(FILES, cleanUp)
  const { status, stderr } = await lift(folder, 'gate 1.img')
  expect([status, stderr.includes('FP_NOT_HELD')]).toEqual([1, true])
  expect(lifted(folder)).toEqual([])
})

test('while a held image was being read again, a lift was answered "not held: there is nothing to lift"', () => {
  for (const state of ['settling', 'reading'] as const) {
    // As one that was touched: the version of before is known still.
    const image = { name: 'desk.bin', state, version: { sha256: SHA256 } } as unknown as Image
    expect(() => liftOf(image)).toThrow(expect.objectContaining({ code: 'FP_IMAGE_UNREAD' }))
  }
})

test('a reason is required, also one with words in it', async () => {
  const folder = await stagingFolder(FILES, cleanUp)
  for (const reason of [[], ['--reason', '  ']]) {
    const { status, stderr } = await inProcess(['lift', 'desk.bin', ...reason, '--folder', folder])
    expect([status, stderr.includes('--reason')]).toEqual([2, true])
  }
  expect(lifted(folder)).toEqual([])
})

test('an unknown image is named with the nearest one, and an unknown folder is not made', async () => {
  const folder = await stagingFolder(FILES, cleanUp)
  const unknown = await lift(folder, 'dsk.bin')
  expect([unknown.status, unknown.stderr.includes('The nearest name is desk.bin.')]).toEqual([2, true])
  const absent = await lift(join(folder, 'absent'), 'desk.bin')
  expect([absent.status, absent.stderr.includes('FP_FOLDER_MISSING')]).toEqual([2, true])
  expect((await inProcess(['images', join(folder, 'absent')])).status).toBe(2)
})

test('its short path and the file as a shell completes it name an image too', async () => {
  for (const name of [`/${SHA256.slice(0, 8)}.bin`, '/desk.bin', 'file']) {
    const folder = await stagingFolder(FILES, cleanUp)
    const given = name === 'file' ? join(folder, 'desk.bin') : name
    expect((await lift(folder, given)).status).toBe(0)
    expect(lifted(folder)).toMatchObject([{ name: 'desk.bin' }])
  }
})

test('on a folder that is being served the image is served from then on', async () => {
  const { folder, port, entry, image } = await serveFilesHere(
    { 'gate 1.img': FILES['gate 1.img'] },
    { cleanUp },
  )
  putFile(folder, 'desk.bin.sha256', FILES['desk.bin.sha256'])
  putFile(folder, 'desk.bin', DESK)
  await image('desk.bin')
  await entry('held')
  expect(await statusOf(port, '/desk.bin')).toBe(409)
  const { status, stdout } = await lift(folder, 'desk.bin', '--by', 'M. Engineer', '--format', 'json')
  expect([status, JSON.parse(stdout)]).toMatchObject([
    0,
    { lifted: 'desk.bin', sha256: SHA256, served: true },
  ])
  expect(await entry('lifted')).toMatchObject({
    name: 'desk.bin',
    sha256: SHA256,
    reason: REASON,
    by: 'M. Engineer',
  })
  expect(await statusOf(port, '/desk.bin')).toBe(200)
  const again = await lift(folder, 'desk.bin')
  expect([again.status, again.stderr.includes('FP_NOT_HELD')]).toEqual([1, true])
})
