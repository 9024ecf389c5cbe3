/** What the API changes: lifts, hurries, observations, pasted checksums. Each stands in the ledger. */
import { createHash } from 'node:crypto'
import { readFile, writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { afterEach, beforeEach, expect, test } from 'vitest'
import type { Entry } from '../../server/ledger/entries.ts'
import { change, codeOf, say } from './asking.ts'
import { noise, type Running, startRunning } from './running.ts'

const IMAGE = noise(4096)
let run: Running
beforeEach(async () => {
  run = await startRunning()
  await run.stage('empty.bin', '')
  await run.stage('desk.bin', IMAGE)
})

afterEach(() => run.close())

async function entries(kind: Entry['kind']): Promise<Entry[]> {
  await run.depot.ledger.synced()
  const lines = (await readFile(run.depot.ledger.file, 'utf8')).trim().split('\n')
  return lines.map((line) => JSON.parse(line) as Entry).filter((entry) => entry.kind === kind)
}

const stateOf = (name: string): string | undefined => run.depot.catalogue.get(name)?.state

test('a held image is lifted with a reason, which the ledger keeps', async () => {
  expect(stateOf('empty.bin')).toBe('held')
  const heard = await change(run, '/api/lift', {
    name: 'empty.bin',
    reason: ' a marker file ',
    by: 'M. Engineer',
  })
  expect([heard.status, JSON.parse(heard.text)]).toEqual([200, { lifted: 'empty.bin' }])
  await run.depot.catalogue.idle()
  expect(stateOf('empty.bin')).toBe('ready')
  expect(await entries('lifted')).toMatchObject([
    { name: 'empty.bin', reason: 'a marker file', by: 'M. Engineer' },
  ])
})

test('what is not held or not there cannot be lifted, and nothing is written', async () => {
  const notHeld = await change(run, '/api/lift', { name: 'desk.bin', reason: 'x' })
  expect([notHeld.status, codeOf(notHeld)]).toEqual([409, 'FP_NOT_HELD'])
  const unknown = await change(run, '/api/lift', { name: 'other.bin', reason: 'x' })
  expect([unknown.status, codeOf(unknown)]).toEqual([404, 'FP_IMAGE_UNKNOWN'])
  expect(await entries('lifted')).toEqual([])
})

test('an observation is on the disk when the answer comes', async () => {
  const digest = { algorithm: 'sha256', value: 'ab'.repeat(32), image: 'desk.bin' }
  const heard = await change(run, '/api/observed', { device: ' desk-1 ', before: '4.1', by: 'me', digest })
  expect(heard.status).toBe(200)
  expect(await entries('observed')).toMatchObject([
    {
      device: 'desk-1',
      before: '4.1',
      by: 'me',
      digest: { value: digest.value, image: { name: 'desk.bin', bytes: 4096 } },
    },
  ])
})

test('an observation of nothing, or of an image that is not there, is refused', async () => {
  expect((await change(run, '/api/observed', { device: 'desk-1' })).status).toBe(400)
  const digest = { algorithm: 'sha256', value: 'ab'.repeat(32), image: 'other.bin' }
  expect((await change(run, '/api/observed', { device: 'desk-1', digest })).status).toBe(404)
  expect(await entries('observed')).toEqual([])
})

test('a settling image is hurried', async () => {
  await run.close()
  run = await startRunning({ settings: { settleMs: 60_000, settleUnsureMs: 60_000 } })
  await writeFile(join(run.folder, 'slow.bin'), noise(4096))
  await run.depot.catalogue.rescan()
  expect(stateOf('slow.bin')).toBe('settling')
  expect((await change(run, '/api/ready-now', { name: 'slow.bin' })).status).toBe(200)
  await run.depot.catalogue.idle()
  expect(stateOf('slow.bin')).toBe('ready')
  expect((await change(run, '/api/ready-now', { name: 'none.bin' })).status).toBe(404)
})

const md5 = (bytes: Uint8Array): string => createHash('md5').update(bytes).digest('hex')

test('a pasted checksum is compared, and stands in the ledger with the person', async () => {
  const heard = await change(run, '/api/published', { name: 'desk.bin', text: md5(IMAGE), by: 'me' })
  expect(heard.status).toBe(200)
  await run.depot.catalogue.idle()
  expect(run.depot.catalogue.get('desk.bin')?.published.standing).toBe('matches')
  expect(await entries('published')).toMatchObject([{ name: 'desk.bin', digest: md5(IMAGE), by: 'me' }])
})

test('a pasted checksum of something else holds the image', async () => {
  await change(run, '/api/published', { name: 'desk.bin', text: md5(noise(4096, 9)) })
  await run.depot.catalogue.idle()
  expect(stateOf('desk.bin')).toBe('held')
})

test('what holds no digest, or is for no image, is refused', async () => {
  const none = await change(run, '/api/published', { name: 'desk.bin', text: 'see our web site' })
  expect([none.status, codeOf(none)]).toEqual([422, 'FP_NO_DIGEST'])
  const unknown = await change(run, '/api/published', { name: 'none.bin', text: md5(IMAGE) })
  expect([unknown.status, codeOf(unknown)]).toEqual([404, 'FP_IMAGE_UNKNOWN'])
  expect(await entries('published')).toEqual([])
})

test('looking changes nothing and needs no token', async () => {
  const { entries: before } = run.depot.ledger.head
  const fields = { 'content-type': 'application/json' }
  const body = JSON.stringify({ text: `verify: ${md5(IMAGE).toUpperCase()}\nSystem software version 4.2.1` })
  const matched = await say(run, { method: 'POST', path: '/api/match', fields, body })
  expect(JSON.parse(matched.text)).toMatchObject({
    findings: [{ outcome: 'match', algorithm: 'md5', image: 'desk.bin' }],
  })
  const version = await say(run, { method: 'POST', path: '/api/version', fields, body })
  expect(JSON.parse(version.text)).toEqual({ version: '4.2.1' })
  expect(run.depot.ledger.head.entries).toBe(before)
})

test('the images are listed with their URLs', async () => {
  const { images } = JSON.parse((await say(run, { path: '/api/images' })).text) as {
    images: { name: string; urls: string[] }[]
  }
  expect(images.map(({ name }) => name)).toEqual(['desk.bin', 'empty.bin'])
  expect(images[0]?.urls).toEqual(['http://192.0.2.10:8080/desk.bin', 'http://[2001:db8::10]:8080/desk.bin'])
})

test('a pasted checksum that was struck neither holds the image nor is remembered as not met', async () => {
  const wrong = createHash('sha256').update('another file').digest('hex')
  await change(run, '/api/published', { name: 'desk.bin', text: wrong, by: 'me' })
  expect(stateOf('desk.bin')).toBe('held')
  const [{ seq }] = (await entries('published')) as [Entry]
  const heard = await change(run, '/api/strike', { seq, reason: 'it is of another file', by: 'me' })
  expect([heard.status, JSON.parse(heard.text)]).toEqual([200, { struck: seq }])
  expect(run.depot.catalogue.get('desk.bin')).toMatchObject({
    state: 'ready',
    published: { standing: 'none' },
  })
  const again = await change(run, '/api/strike', { seq, reason: 'x' })
  expect([again.status, codeOf(again)]).toEqual([409, 'FP_NOT_STRIKEABLE'])
  await run.depot.catalogue.rejudge()
  expect(stateOf('desk.bin')).toBe('ready')
})

test('a pasted checksum that vouched, and was struck, vouches no more; the one before it counts again', async () => {
  const right = createHash('sha256').update(IMAGE).digest('hex')
  const wrong = createHash('sha256').update('another file').digest('hex')
  for (const text of [wrong, right]) await change(run, '/api/published', { name: 'desk.bin', text, by: 'me' })
  expect(run.depot.catalogue.get('desk.bin')?.published.standing).toBe('matches')
  const seq = (await entries('published')).at(-1)?.seq
  await change(run, '/api/strike', { seq, reason: 'pasted from the wrong page', by: 'me' })
  expect(run.depot.catalogue.get('desk.bin')).toMatchObject({ state: 'held', published: { digest: wrong } })
})

test('an image is held by a person, and what was not read yet is not', async () => {
  const heard = await change(run, '/api/hold', { name: 'desk.bin', reason: ' bricked one ', by: 'me' })
  expect([heard.status, JSON.parse(heard.text)]).toEqual([200, { held: 'desk.bin' }])
  expect(run.depot.catalogue.get('desk.bin')).toMatchObject({
    state: 'held',
    reason: 'Held by me: bricked one',
  })
  expect((await entries('held')).at(-1)).toMatchObject({ name: 'desk.bin', reason: 'bricked one', by: 'me' })
  const unknown = await change(run, '/api/hold', { name: 'other.bin', reason: 'x' })
  expect([unknown.status, codeOf(unknown)]).toEqual([404, 'FP_IMAGE_UNKNOWN'])
})
