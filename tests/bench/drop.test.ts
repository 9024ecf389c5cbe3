/** Files dropped onto the page: whole or not at all, never over another file unasked, never out of the folder. */
import {
  appendFile,
  mkdir,
  mkdtemp,
  readdir,
  readFile,
  rename,
  rm,
  symlink,
  writeFile,
} from 'node:fs/promises'
import { type ClientRequest, request } from 'node:http'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, beforeEach, describe, expect, onTestFinished, test } from 'vitest'
import { codeOf, type Heard, say } from './asking.ts'
import { noise, type Running, startRunning } from './running.ts'

let run: Running
let room: number

beforeEach(async () => {
  room = 1_000_000_000
  run = await startRunning({ bench: { roomIn: async () => room } })
})

afterEach(() => run.close())

const drop = (name: string, body: Buffer | string, more = ''): Promise<Heard> =>
  say(run, {
    method: 'PUT',
    path: `/api/drop?name=${encodeURIComponent(name)}${more}`,
    fields: { authorization: `Bearer ${run.token}`, 'content-type': 'application/octet-stream' },
    body: Buffer.from(body),
  })

/** An upload that goes on until it is ended. */
const beginDrop = (name: string, fields: Readonly<Record<string, string>>): ClientRequest =>
  request({
    host: '127.0.0.1',
    port: run.pagePort,
    method: 'PUT',
    path: `/api/drop?name=${name}`,
    headers: { authorization: `Bearer ${run.token}`, ...fields },
  })

const listing = async (): Promise<string[]> =>
  (await readdir(run.folder)).filter((name) => name !== '.fetchproof').sort()

test('a dropped file is in the folder byte for byte, and is offered', async () => {
  const bytes = noise(3_000_001)
  const heard = await drop('desk switch.bin', bytes)
  expect([heard.status, JSON.parse(heard.text)]).toEqual([200, { name: 'desk switch.bin', bytes: 3_000_001 }])
  expect((await readFile(join(run.folder, 'desk switch.bin'))).equals(bytes)).toBe(true)
  expect(await listing()).toEqual(['desk switch.bin'])
  await run.depot.catalogue.idle()
  expect(run.depot.catalogue.get('desk switch.bin')?.state).toBe('ready')
})

test('a dropped file was waited for as if somebody might still write it, though its bytes were counted', async () => {
  const slow = await startRunning({ settings: { settleMs: 120_000, settleUnsureMs: 120_000 } })
  onTestFinished(() => slow.close())
  const heard = await say(slow, {
    method: 'PUT',
    path: '/api/drop?name=desk.bin',
    fields: { authorization: `Bearer ${slow.token}`, 'content-type': 'application/octet-stream' },
    body: noise(50_000),
  })
  expect(heard.status).toBe(200)
  await expect.poll(() => slow.depot.catalogue.get('desk.bin')?.state, { timeout: 10_000 }).toBe('ready')
})

test('an empty file can be dropped (and is held)', async () => {
  expect((await drop('empty.bin', '')).status).toBe(200)
  await run.depot.catalogue.idle()
  expect(run.depot.catalogue.get('empty.bin')?.state).toBe('held')
})

test('a file that is there stays unless it is to be replaced', async () => {
  await drop('desk.bin', 'first')
  const target = await say(run, { path: '/api/drop?name=desk.bin' })
  expect(JSON.parse(target.text)).toMatchObject({ name: 'desk.bin', exists: true })
  const refused = await drop('desk.bin', 'second')
  expect([refused.status, codeOf(refused)]).toEqual([409, 'FP_DROP_EXISTS'])
  expect(await readFile(join(run.folder, 'desk.bin'), 'utf8')).toBe('first')
  expect((await drop('desk.bin', 'second', '&replace=yes')).status).toBe(200)
  expect(await readFile(join(run.folder, 'desk.bin'), 'utf8')).toBe('second')
  expect(await listing()).toEqual(['desk.bin'])
})

test('of two that come at once under one name, one wins and the other is told', async () => {
  const heard = await Promise.all([drop('desk.bin', noise(500_000, 1)), drop('desk.bin', noise(500_000, 2))])
  expect(heard.map(({ status }) => status).sort()).toEqual([200, 409])
  expect(await listing()).toEqual(['desk.bin'])
})

test('replacing a link replaces the link and not what it leads to', async () => {
  const elsewhere = await mkdtemp(join(tmpdir(), 'elsewhere-'))
  onTestFinished(() => rm(elsewhere, { recursive: true }))
  const outside = join(elsewhere, 'outside.bin')
  await writeFile(outside, 'untouched')
  await symlink(outside, join(run.folder, 'link.bin'))
  expect((await drop('link.bin', 'new')).status).toBe(409)
  expect((await drop('link.bin', 'new', '&replace=yes')).status).toBe(200)
  expect(await readFile(outside, 'utf8')).toBe('untouched')
  expect(await readFile(join(run.folder, 'link.bin'), 'utf8')).toBe('new')
})

test('a folder is never replaced', async () => {
  await mkdir(join(run.folder, 'sub'))
  expect((await drop('sub', 'x', '&replace=yes')).status).toBe(400)
  expect(await listing()).toEqual(['sub'])
})

test('an upload that breaks off leaves nothing behind', async () => {
  const asked = beginDrop('cut.bin', { 'content-length': '5000000' })
  asked.on('error', () => undefined)
  asked.write(noise(1_000_000))
  await expect
    .poll(listing)
    .toMatchObject([expect.stringMatching(/^\.fetchproof-drop-[0-9a-f]{8}-[0-9a-f]{8}$/)])
  expect(run.depot.catalogue.images()).toEqual([])
  asked.destroy()
  await expect.poll(listing).toEqual([])
})

test('an upload under way when the server stops leaves nothing behind', async () => {
  const asked = beginDrop('cut.bin', { 'content-length': '5000000' })
  asked.on('error', () => undefined)
  asked.write(noise(1_000_000))
  await expect.poll(listing).toHaveLength(1)
  const before = run.folder
  await run.close()
  await expect(readdir(before)).rejects.toThrow('ENOENT')
})

test('what is too large is refused, announced or not, and leaves nothing behind', async () => {
  room = 16 * 1024 * 1024 + 100_000
  const announced = await drop('large.bin', noise(200_000))
  expect([announced.status, codeOf(announced)]).toEqual([507, 'FP_DROP_NO_ROOM'])
  const heard = await new Promise<number>((answered, failed) => {
    const asked = beginDrop('large.bin', { 'transfer-encoding': 'chunked' })
    asked.on('response', (answer) => answered(answer.resume().statusCode ?? 0))
    asked.on('error', failed)
    asked.end(noise(200_000))
  })
  expect(heard).toBe(507)
  expect(await listing()).toEqual([])
})

describe('names', () => {
  test.each([
    ['../../desk.bin', 'desk.bin'],
    ['/etc/desk.bin', 'desk.bin'],
    ['C:\\images\\desk.bin', 'desk.bin'],
    ['desk:stream.bin', 'desk-stream.bin'],
    ['desk\n\u0000.bin', 'desk--.bin'],
    ['desk.bin. . ', 'desk.bin'],
    ['<b>desk</b>.bin', 'b-.bin'],
    ['d\u00e9sk \u202e.bin', 'd\u00e9sk \u202e.bin'],
    ['visit.csv', 'visit.csv'],
    ['SHA256SUMS', 'SHA256SUMS'],
  ])('%j becomes %j', async (given, name) => {
    expect(JSON.parse((await drop(given, 'bytes')).text)).toMatchObject({ name })
    expect(await listing()).toEqual([name])
  })

  test.each([
    '..',
    '.',
    '',
    '/',
    '.profile',
    '.fetchproof',
    'CON',
    'nul.bin',
    'x'.repeat(201),
    'fetchproof.json',
    'a.part',
    'a~',
  ])('%j is refused', async (given) => {
    const heard = await drop(given, 'bytes')
    expect([400, 422]).toContain(heard.status)
    expect(await listing()).toEqual([])
  })
})

/** Whoever else may write into the folder does something while the second half of the bytes is awaited. */
describe('while a body is arriving', () => {
  const BYTES = noise(400_000, 7)
  const OTHER = 'what another program put there'

  async function halfWay(more = ''): Promise<{ part: string; goOn(): Promise<Heard> }> {
    let asked: ClientRequest | undefined
    const heard = new Promise<Heard>((answered, failed) => {
      asked = request(
        {
          host: '127.0.0.1',
          port: run.pagePort,
          method: 'PUT',
          path: `/api/drop?name=desk.bin${more}`,
          headers: { authorization: `Bearer ${run.token}`, 'content-length': String(BYTES.length) },
        },
        async (answer) => {
          let text = ''
          for await (const piece of answer.setEncoding('utf8')) text += piece
          answered({ status: answer.statusCode ?? 0, fields: answer.headers, text })
        },
      )
      asked.on('error', failed)
      asked.write(BYTES.subarray(0, 200_000))
    })
    await expect.poll(async () => (await listing()).filter((name) => name.startsWith('.'))).toHaveLength(1)
    const part = (await listing()).find((name) => name.startsWith('.')) ?? ''
    return {
      part: join(run.folder, part),
      goOn() {
        asked?.end(BYTES.subarray(200_000))
        return heard
      },
    }
  }

  const elsewhere = async (): Promise<string> => {
    const folder = await mkdtemp(join(tmpdir(), 'elsewhere-'))
    onTestFinished(() => rm(folder, { recursive: true }))
    await writeFile(join(folder, 'outside.bin'), 'untouched')
    return folder
  }

  test.each(['', '&replace=yes'])(
    'another file that took its place was taken for what was dropped (%s)',
    async (more) => {
      const { part, goOn } = await halfWay(more)
      await rename(part, join(run.folder, 'aside.bin'))
      await writeFile(part, OTHER)
      const heard = await goOn()
      expect([heard.status, codeOf(heard)]).toEqual([400, 'FP_DROP_CUT'])
      expect(heard.text).toContain('another program')
    },
  )

  test.each(['', '&replace=yes'])(
    'a link that took its place is neither written through nor offered (%s)',
    async (more) => {
      const outside = join(await elsewhere(), 'outside.bin')
      const { part, goOn } = await halfWay(more)
      await rm(part)
      await symlink(outside, part)
      expect((await goOn()).status).toBe(400)
      expect(await readFile(outside, 'utf8')).toBe('untouched')
      await run.depot.catalogue.rescan()
      expect(run.depot.catalogue.get('desk.bin')?.state).not.toBe('ready')
    },
  )

  test('bytes that another program appended to it were counted as dropped', async () => {
    const { part, goOn } = await halfWay()
    await appendFile(part, OTHER.repeat(20_000))
    expect(codeOf(await goOn())).toBe('FP_DROP_CUT')
  })

  test('what came under its name stays, unless it is to be replaced', async () => {
    const first = await halfWay()
    await writeFile(join(run.folder, 'desk.bin'), OTHER)
    expect(codeOf(await first.goOn())).toBe('FP_DROP_EXISTS')
    expect(await readFile(join(run.folder, 'desk.bin'), 'utf8')).toBe(OTHER)
    const second = await halfWay('&replace=yes')
    await rm(join(run.folder, 'desk.bin'))
    const outside = join(await elsewhere(), 'outside.bin')
    await symlink(outside, join(run.folder, 'desk.bin'))
    expect((await second.goOn()).status).toBe(200)
    expect(await readFile(outside, 'utf8')).toBe('untouched')
    expect((await readFile(join(run.folder, 'desk.bin'))).equals(BYTES)).toBe(true)
    const third = await halfWay('&replace=yes')
    await rm(join(run.folder, 'desk.bin'))
    await mkdir(join(run.folder, 'desk.bin'))
    expect(codeOf(await third.goOn())).toBe('FP_DROP_CUT')
    expect(await listing()).toEqual(['desk.bin'])
  })

  test('a link to elsewhere in the place of the whole folder gets nothing', async () => {
    const other = await elsewhere()
    const { goOn } = await halfWay()
    const away = `${run.folder}-away`
    await rename(run.folder, away)
    await symlink(other, run.folder)
    const heard = await goOn()
    await rm(run.folder)
    await rename(away, run.folder)
    expect([heard.status, codeOf(heard)]).toEqual([400, 'FP_DROP_CUT'])
    expect(await readdir(other)).toEqual(['outside.bin'])
  })
})

test('a replace other than yes is an error', async () => {
  expect((await drop('desk.bin', 'x', '&replace=true')).status).toBe(400)
  expect((await drop('desk.bin', 'x', '&replace=yes&to=/tmp')).status).toBe(400)
  expect(await listing()).toEqual([])
})
