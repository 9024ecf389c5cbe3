/** `fetchproof hold` and `fetchproof strike`: what a person withdraws or takes back, on record before it counts. */
import { createHash } from 'node:crypto'
import { once } from 'node:events'
import { writeFileSync } from 'node:fs'
import { get, type IncomingMessage } from 'node:http'
import { connect } from 'node:net'
import { expect, onTestFinished, test } from 'vitest'
import type { EntryKind, EntryOf } from '../../server/ledger/entries.ts'
import { imageBytes, ledgerEntries, serveFilesHere, serveHere, stagingFolder } from '../clients/served.ts'
import { inProcess } from './in-process.ts'

const DESK = imageBytes(50_000, 'desk')
const SHA256 = createHash('sha256').update(DESK).digest('hex')
const OTHER = Buffer.from(`${'ab'.repeat(32)}  desk.bin\n`)
const WHY = 'it does not boot on the second revision'
const cleanUp = onTestFinished

function entriesOf<K extends EntryKind>(folder: string, kind: K): EntryOf<K>[] {
  return ledgerEntries(folder).filter((entry): entry is EntryOf<K> => entry.kind === kind)
}

async function statusOf(port: number, path: string): Promise<number | undefined> {
  const [response] = (await once(get({ port, path, host: '127.0.0.1' }), 'response')) as [IncomingMessage]
  response.resume()
  return response.statusCode
}

const run = (folder: string, ...args: string[]) => inProcess([...args, '--folder', folder])

test('an image is withdrawn by hand, stays so over starts, and is free after a lift', async () => {
  const folder = await stagingFolder({ 'desk.bin': DESK }, cleanUp)
  const held = await run(folder, 'hold', 'desk.bin', '--reason', WHY, '--by', 'M. Engineer')
  expect([held.status, held.stdout.includes(`held by M. Engineer (${WHY})`)]).toEqual([0, true])
  expect(entriesOf(folder, 'held')).toMatchObject([
    { name: 'desk.bin', sha256: SHA256, reason: WHY, by: 'M. Engineer' },
  ])
  const images = await inProcess(['images', folder])
  expect([images.status, images.stdout.includes(`Held by M. Engineer: ${WHY}`)]).toEqual([1, true])
  const served = await serveHere(folder, { cleanUp })
  await served.image('desk.bin')
  expect(await statusOf(served.port, '/desk.bin')).toBe(409)
  expect((await run(folder, 'lift', 'desk.bin', '--reason', 'tried on the bench')).status).toBe(0)
  expect(await statusOf(served.port, '/desk.bin')).toBe(200)
  expect(entriesOf(folder, 'lifted')).toMatchObject([{ reasons: [{ cause: 'by hand' }] }])
  await served.stop()
  expect((await inProcess(['images', folder])).status).toBe(0)
})

test('a hold on a folder that is being served resets what is under way, and nobody gets the image any more', async () => {
  const image = imageBytes(40_000_000, 'long')
  const { folder, port, entry } = await serveFilesHere({ 'desk.bin': image }, { cleanUp })
  const device = connect({ port, host: '127.0.0.1' })
  const closed = new Promise((done) => device.on('close', done))
  let bytes = 0
  device.on('data', (piece: Buffer) => {
    bytes += piece.length
  })
  // Where a reset finds a paused reader, libuv reports an end of stream: both are short of what was promised.
  device.on('error', () => undefined)
  device.write('GET /desk.bin HTTP/1.1\r\nHost: x\r\n\r\n')
  await once(device, 'data')
  device.pause()
  expect((await run(folder, 'hold', 'desk.bin', '--reason', WHY)).status).toBe(0)
  expect(await entry('fetch-ended')).toMatchObject({ ending: 'withdrawn', reason: 'the image was held' })
  device.resume()
  await closed
  expect(bytes).toBeLessThan(image.length)
  expect(await statusOf(port, '/desk.bin')).toBe(409)
})

test('an unknown image, no reason, or an empty one holds nothing', async () => {
  const folder = await stagingFolder({ 'desk.bin': DESK }, cleanUp)
  expect((await run(folder, 'hold', 'dsk.bin', '--reason', WHY)).stderr).toContain(
    'The nearest name is desk.bin.',
  )
  for (const reason of [[], ['--reason', ' ']]) {
    expect((await run(folder, 'hold', 'desk.bin', ...reason)).status).toBe(2)
  }
  expect(entriesOf(folder, 'held')).toEqual([])
})

test('a lift is for what held the image then: the checksum that comes later holds it again, and says so', async () => {
  const broken = Buffer.concat([Buffer.from('1f8b0800000000000003', 'hex'), Buffer.alloc(500, 7)])
  const folder = await stagingFolder({ 'desk.gz': broken }, cleanUp)
  expect((await run(folder, 'lift', 'desk.gz', '--reason', 'the maker pads it')).status).toBe(0)
  expect((await inProcess(['images', folder])).status).toBe(0)
  writeFileSync(`${folder}/desk.gz.sha256`, `${'ab'.repeat(32)}  desk.gz\n`)
  const images = await inProcess(['images', folder])
  expect(images.status).toBe(1)
  expect(images.stdout).toContain('Its SHA-256 is not the published one')
  expect(images.stdout.replaceAll(/\s+/g, ' ')).toContain('A hold was lifted before')
  expect((await run(folder, 'lift', 'desk.gz', '--reason', 'an older list')).status).toBe(0)
  expect((await inProcess(['images', folder])).status).toBe(0)
})

test('what can be struck is listed with its number; a struck lift holds again', async () => {
  const folder = await stagingFolder({ 'desk.bin': DESK, 'desk.bin.sha256': OTHER }, cleanUp)
  expect((await run(folder, 'lift', 'desk.bin', '--reason', 'x', '--by', 'me')).status).toBe(0)
  const { stdout } = await run(folder, 'strike')
  expect(stdout).toMatch(
    /^1 {2}\S+ \S+ \S+ {2}desk\.bin: hold lifted by me \(x\)\nStrike one with:\n {2}\S.* strike NUMBER --reason "why"/,
  )
  const struck = await run(folder, 'strike', '1', '--reason', 'the wrong image', '--by', 'me')
  expect([struck.status, struck.stdout.includes('Struck: desk.bin: hold lifted by me (x)')]).toEqual([
    0,
    true,
  ])
  expect(entriesOf(folder, 'struck')).toMatchObject([{ strikes: 1, reason: 'the wrong image', by: 'me' }])
  expect((await inProcess(['images', folder])).status).toBe(1)
  expect((await run(folder, 'strike')).stdout).toContain('Nothing can be struck')
})

test('what cannot be struck is said: an unknown number, another kind, what was struck before, no reason', async () => {
  const folder = await stagingFolder({ 'desk.bin': DESK, 'desk.bin.sha256': OTHER }, cleanUp)
  expect((await run(folder, 'strike')).stderr).toContain('FP_LEDGER_MISSING')
  await run(folder, 'hold', 'desk.bin', '--reason', 'y')
  await run(folder, 'lift', 'desk.bin', '--reason', 'x')
  const said = async (...args: string[]) => {
    const { status, stderr } = await run(folder, 'strike', ...args)
    return `${status} ${stderr}`
  }
  expect(await said('9', '--reason', 'z')).toMatch(/^2 .*no entry of this number \(its last one is 2\)/)
  expect(await said('1', '--reason', 'z')).toMatch(/^2 .*none of these/)
  expect(await said('2')).toMatch(/^2 .*--reason/)
  expect(await said('two', '--reason', 'z')).toMatch(/^2 /)
  expect(entriesOf(folder, 'struck')).toEqual([])
  await run(folder, 'strike', '2', '--reason', 'z', '--by', 'me')
  expect(await said('2', '--reason', 'z')).toMatch(/^2 .*me struck it already \(z\)/)
})

test('on a folder that is being served a struck lift holds the image at once', async () => {
  const served = await serveHere(
    await stagingFolder({ 'desk.bin': DESK, 'desk.bin.sha256': OTHER }, cleanUp),
    {
      cleanUp,
    },
  )
  await served.entry('held')
  await run(served.folder, 'lift', 'desk.bin', '--reason', 'x')
  const { seq } = await served.entry('lifted')
  expect(await statusOf(served.port, '/desk.bin')).toBe(200)
  expect((await run(served.folder, 'strike', String(seq), '--reason', 'y')).status).toBe(0)
  expect(await served.entry('struck')).toMatchObject({ strikes: seq, reason: 'y' })
  expect(await statusOf(served.port, '/desk.bin')).toBe(409)
  await served.entry('held', (entry) => entry.seq > seq)
})
