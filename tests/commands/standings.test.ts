/**
 * Standings from outside: `serve` serves, devices are bare sockets at 127.0.0.x, and the plan, the record and the page
 * are asked what they conclude. Each story ends as a visit does, with the server stopped, unless it is about what is
 * under way.
 */
import { rmSync, writeFileSync } from 'node:fs'
import { readFile } from 'node:fs/promises'
import { join } from 'node:path'
import { describe, expect, onTestFinished, test } from 'vitest'
import type { Snapshot } from '../../server/bench/snapshot-shape.ts'
import { readPageToken } from '../../server/commands/page-token.ts'
import type { DevicePlan } from '../../server/visit/device-plan.ts'
import type { Plan } from '../../server/visit/plan.ts'
import { ask, connectRaw, exchange, request } from '../clients/raw-client.ts'
import {
  imageBytes,
  ledgerEntries,
  putFile,
  type Served,
  type ServedProgram,
  serveFolder,
  serveHere,
  sha256,
  stagingFolder,
} from '../clients/served.ts'
import { faketimeLibrary, needs } from '../needs.ts'
import { liveAgainstReplay } from '../truth/live.ts'
import { inProcess } from './in-process.ts'

const DESK = imageBytes(60_000, 'desk')
const NEWER_DESK = imageBytes(61_000, 'newer desk')
const RADIO = imageBytes(50_000, 'radio')
const OLD = imageBytes(40_000, 'old')
const LARGE = imageBytes(16 * 1024 * 1024, 'large')
const FILES = { 'desk-4.4.bin': DESK, 'radio-2.8.img': RADIO, 'old-4.1.bin': OLD }

interface Visit {
  readonly served: Served
  readonly folder: string
  /** All of an image, closed in order, from 127.0.0.`host`; resolves when its end is on record. */
  pull(host: number, image: string, lines?: readonly string[]): Promise<void>
  /** A request that is refused; with which status. */
  refused(host: number, target: string): Promise<number>
  command(...args: readonly string[]): ReturnType<typeof inProcess>
  /** Post to the local API with its token. */
  post(path: string, body: object): Promise<number>
  page(): Promise<Snapshot>
  plan(): Promise<Plan>
  device(name: string): Promise<DevicePlan>
  /** Standings by device after the end of the visit, with the exit status of `report --strict`. */
  end(): Promise<{ standings: Record<string, string>; strict: number | null; why: string }>
}

interface VisitOptions {
  readonly files?: Readonly<Record<string, Buffer>>
  readonly serve?: (folder: string) => Promise<Served>
}

/** Rows as `device,address,…`; the first line of the sheet names more columns. */
async function visit(
  columns: string,
  rows: readonly string[],
  { files = FILES, serve = (folder) => serveHere(folder, { cleanUp: onTestFinished }) }: VisitOptions = {},
): Promise<Visit> {
  const folder = await stagingFolder(files, onTestFinished)
  writeFileSync(join(folder, 'visit.csv'), [columns, ...rows, ''].join('\r\n'))
  const served = await serve(folder)
  const images = Object.keys(files).filter((name) => !name.endsWith('.sha256'))
  await Promise.all(images.map((name) => served.image(name)))
  await served.entry('sheet')

  async function readPlan(): Promise<Plan> {
    const { stdout } = await inProcess(['audit', folder, '--plan', '--format', 'json'])
    return (JSON.parse(stdout) as { plan: Plan }).plan
  }
  const records = join(folder, '.fetchproof')
  async function pagePort(): Promise<number> {
    return JSON.parse(await readFile(join(records, 'lock.json'), 'utf8')).pagePort
  }
  return {
    served,
    folder,
    async pull(host, image, lines = []) {
      const { client } = await exchange(served.port, request(`/${image}`, lines), {
        localAddress: `127.0.0.${host}`,
      })
      const { ending } = await served.ended(client.port)
      expect(ending).toBe('delivered')
    },
    async refused(host, target) {
      const { client } = await exchange(served.port, request(target), { localAddress: `127.0.0.${host}` })
      return (await client.head()).status
    },
    command: (...args) => inProcess([...args, '--folder', folder]),
    async post(path, body) {
      const headers = {
        authorization: `Bearer ${readPageToken(records)}`,
        'content-type': 'application/json',
      }
      const url = `http://127.0.0.1:${await pagePort()}${path}`
      return (await fetch(url, { method: 'POST', headers, body: JSON.stringify(body) })).status
    },
    async page() {
      return (await (await fetch(`http://127.0.0.1:${await pagePort()}/api/snapshot`)).json()) as Snapshot
    },
    plan: readPlan,
    async device(name) {
      const found = (await readPlan()).devices.find(({ device }) => device === name)
      if (found === undefined) throw new Error(`${name} is not in the plan`)
      return found
    },
    async end() {
      await served.stop(500)
      const { devices } = await readPlan()
      for (const { done, standing } of devices) expect(done).toBe(['confirmed', 'pulled'].includes(standing))
      const report = await inProcess(['report', folder, '--strict', '--format', 'json'])
      const standings = Object.fromEntries(devices.map(({ device, standing }) => [device, standing]))
      return { standings, strict: report.status, why: report.stderr }
    },
  }
}

/** One device that is to get the desk image. */
const oneDesk = (options?: VisitOptions) =>
  visit('device,address,image', ['desk,127.0.0.5,desk-4.4.bin'], options)

async function replaceDesk({ served, folder }: Visit): Promise<void> {
  putFile(folder, 'desk-4.4.bin', NEWER_DESK)
  await served.image('desk-4.4.bin', sha256(NEWER_DESK))
}

async function publishAnother({ served, folder }: Visit): Promise<void> {
  writeFileSync(join(folder, 'desk-4.4.bin.sha256'), `${'0'.repeat(64)}  desk-4.4.bin\n`)
  await served.entry('held')
}

describe('each standing', () => {
  test('pulled: a complete pull of the version on offer last, and then the visit is complete', async () => {
    const at = await oneDesk()
    await at.pull(5, 'desk-4.4.bin')
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test.each(['before', 'after', 'without'])(
    'confirmed: the device printed the digest, %s a pull',
    async (when) => {
      const at = await oneDesk()
      if (when === 'after') await at.pull(5, 'desk-4.4.bin')
      expect((await at.command('match', `sha256: ${sha256(DESK)}`, '--device', 'desk')).status).toBe(0)
      if (when === 'before') await at.pull(5, 'desk-4.4.bin')
      expect((await at.device('desk')).printed).toMatchObject({ algorithm: 'sha256', planned: true })
      expect((await inProcess(['audit', at.folder, '--plan'])).stdout).toMatch(/printed .*SHA-256/)
      expect(await at.end()).toMatchObject({ standings: { desk: 'confirmed' }, strict: 0 })
    },
  )

  test('unconfirmed: it closed its sending side first', async () => {
    let program: ServedProgram | undefined
    const at = await oneDesk({
      serve: async (folder) => (program = await serveFolder(folder, { cleanUp: onTestFinished })),
    })
    const client = await connectRaw(at.served.port, { localAddress: '127.0.0.5' })
    program?.process.kill('SIGSTOP')
    client.send(request('/desk-4.4.bin'))
    await client.halfClose()
    program?.process.kill('SIGCONT')
    await client.readToEnd()
    expect((await at.served.ended(client.port)).ending).toBe('unconfirmed')
    expect(await at.end()).toMatchObject({ standings: { desk: 'unconfirmed' }, strict: 1 })
  })

  test('pulling: while it is under way', async () => {
    const at = await visit('device,address,image', ['desk,127.0.0.5,large.bin'], {
      files: { 'large.bin': LARGE },
    })
    const client = await ask(at.served.port, '/large.bin', { localAddress: '127.0.0.5' })
    onTestFinished(() => client.reset())
    await client.readBody(100_000)
    await at.served.begun(client.port)
    expect((await at.device('desk')).standing).toBe('pulling')
    expect((await at.page()).board.rows[0]?.standing).toContain('pulling')
  })

  test('waiting, and after the visit not seen', async () => {
    const at = await oneDesk()
    expect((await at.device('desk')).standing).toBe('waiting')
    expect(await at.end()).toMatchObject({ standings: { desk: 'not seen' }, strict: 1 })
  })

  test.each([
    ['held', 409, '/desk-4.4.bin', 'held'],
    ['unknown', 404, '/desk-9.9.bin', 'no image of that name'],
  ])(
    'refused: what it asked for is %s; its row says when and why, and it is among the steps',
    async (why, status, target, words) => {
      const at = await oneDesk()
      if (why === 'held') await publishAnother(at)
      expect(await at.refused(5, target)).toBe(status)
      await at.served.entry('fetch-refused')
      const { standing, grounds } = await at.device('desk')
      expect([standing, grounds]).toEqual(['refused', expect.objectContaining({ kind: 'refused', status })])
      const page = await at.page()
      expect(page.board.rows[0]?.standing).toContain('refused')
      expect(JSON.stringify(page.board.rows[0])).toMatch(new RegExp(`refused.*\\d:\\d\\d.*${words}`))
      expect(page.nextSteps.map(({ text }) => text).join('\n')).toContain('desk')
      expect(await at.end()).toMatchObject({ standings: { desk: 'refused' }, strict: 1 })
    },
  )

  test('a device that was refused and then served is not refused', async () => {
    const at = await oneDesk()
    expect(await at.refused(5, '/desk-4.5.bin')).toBe(404)
    await at.pull(5, 'desk-4.4.bin')
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test('wrong image, and the right one mends it', async () => {
    const at = await oneDesk()
    await at.pull(5, 'radio-2.8.img')
    expect((await at.device('desk')).standing).toBe('wrong image')
    await at.pull(5, 'desk-4.4.bin')
    expect((await at.device('desk')).standing).toBe('pulled')
    await at.pull(5, 'radio-2.8.img')
    expect(await at.end()).toMatchObject({ standings: { desk: 'wrong image' }, strict: 1 })
  })

  test('rolled back: its rollback image came last', async () => {
    const at = await visit('device,address,image,rollback', ['desk,127.0.0.5,desk-4.4.bin,old-4.1.bin'])
    await at.pull(5, 'desk-4.4.bin')
    await at.pull(5, 'old-4.1.bin')
    expect(await at.end()).toMatchObject({ standings: { desk: 'rolled back' }, strict: 1 })
  })
})

describe('done needs the version that is on offer last, and not held', () => {
  test('a file that is replaced under the same name opens the devices that hold the earlier version', async () => {
    const at = await visit('device,address,image', ['a,127.0.0.5,desk-4.4.bin', 'b,127.0.0.6,desk-4.4.bin'])
    await at.pull(5, 'desk-4.4.bin')
    await at.pull(6, 'desk-4.4.bin')
    await replaceDesk(at)
    expect((await at.device('a')).grounds).toMatchObject({ kind: 'earlier version' })
    await at.pull(6, 'desk-4.4.bin')
    const ended = await at.end()
    expect(ended).toMatchObject({ standings: { a: 'contradicted', b: 'pulled' }, strict: 1 })
    expect(ended.why).toMatch(/a: .*earlier version/)
  })

  test('a file that is put back as it was closes them again', async () => {
    const at = await oneDesk()
    await at.pull(5, 'desk-4.4.bin')
    await replaceDesk(at)
    putFile(at.folder, 'desk-4.4.bin', DESK)
    await at.served.entry('image', ({ seq, sha256: digest }) => {
      const replaced = at.served.entries.find(
        (entry) => entry.kind === 'image' && entry.sha256 === sha256(NEWER_DESK),
      )
      return digest === sha256(DESK) && seq > (replaced?.seq ?? Number.POSITIVE_INFINITY)
    })
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test('a checksum that comes later and differs opens the device; a lift closes it again', async () => {
    const at = await oneDesk()
    await at.pull(5, 'desk-4.4.bin')
    await publishAnother(at)
    expect(await at.device('desk')).toMatchObject({ standing: 'contradicted', grounds: { kind: 'held' } })
    expect((await at.command('lift', 'desk-4.4.bin', '--reason', 'of another build')).status).toBe(0)
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test('a hold by hand opens the device, also one that printed the digest', async () => {
    const at = await visit('device,address,image', ['a,127.0.0.5,desk-4.4.bin', 'b,127.0.0.6,desk-4.4.bin'])
    await at.pull(5, 'desk-4.4.bin')
    await at.command('match', `sha256: ${sha256(DESK)}`, '--device', 'b')
    expect((await at.command('hold', 'desk-4.4.bin', '--reason', 'withdrawn by its maker')).status).toBe(0)
    const ended = await at.end()
    expect(ended).toMatchObject({ standings: { a: 'contradicted', b: 'contradicted' }, strict: 1 })
    expect(ended.why).toMatch(/a: .*held/)
  })

  test('a pasted checksum that differs opens the device; struck, it closes it again', async () => {
    const at = await oneDesk()
    await at.pull(5, 'desk-4.4.bin')
    expect(await at.post('/api/published', { name: 'desk-4.4.bin', text: `SHA256 ${'0'.repeat(64)}` })).toBe(
      200,
    )
    const { seq } = await at.served.entry('published')
    await at.served.entry('held')
    expect((await at.device('desk')).standing).toBe('contradicted')
    expect((await at.command('strike', String(seq), '--reason', 'of another product')).status).toBe(0)
    await at.served.entry('struck')
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test('a lift that is struck opens the device again', async () => {
    const at = await oneDesk()
    await at.pull(5, 'desk-4.4.bin')
    await publishAnother(at)
    await at.command('lift', 'desk-4.4.bin', '--reason', 'of another build')
    const { seq } = await at.served.entry('lifted')
    expect((await at.command('strike', String(seq), '--reason', 'it was not')).status).toBe(0)
    expect(await at.end()).toMatchObject({ standings: { desk: 'contradicted' }, strict: 1 })
  })
})

describe('what the device printed, and what was observed', () => {
  test('the digest of another image contradicts a complete pull, until the right one is printed', async () => {
    const at = await oneDesk()
    await at.pull(5, 'desk-4.4.bin')
    await at.command('match', `sha256: ${sha256(RADIO)}`, '--device', 'desk')
    expect((await at.device('desk')).standing).toBe('contradicted')
    expect((await at.page()).nextSteps.map(({ text }) => text).join('\n')).toContain('desk')
    await at.command('match', `sha256: ${sha256(DESK)}`, '--device', 'desk')
    expect(await at.end()).toMatchObject({ standings: { desk: 'confirmed' }, strict: 0 })
  })

  test('the digest of no image at all contradicts too', async () => {
    const at = await oneDesk()
    await at.pull(5, 'desk-4.4.bin')
    await at.command('match', `sha256: ${'5'.repeat(64)}`, '--device', 'desk')
    const ended = await at.end()
    expect(ended).toMatchObject({ standings: { desk: 'contradicted' }, strict: 1 })
  })

  test('a later complete pull counts more than an earlier digest of another image', async () => {
    const at = await oneDesk()
    await at.command('match', `sha256: ${sha256(OLD)}`, '--device', 'desk')
    await at.pull(5, 'desk-4.4.bin')
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test('a later pull does not outrank the digest of the same version', async () => {
    const at = await oneDesk()
    await at.command('match', `sha256: ${sha256(DESK)}`, '--device', 'desk')
    await at.pull(5, 'desk-4.4.bin')
    await at.pull(5, 'desk-4.4.bin')
    expect((await at.device('desk')).standing).toBe('confirmed')
  })

  test('a version after that is not the stated target contradicts; the report names it first, without its stamp', async () => {
    const at = await visit('device,address,image,version_target', ['desk,127.0.0.5,desk-4.4.bin,4.4'])
    await at.pull(5, 'desk-4.4.bin')
    await at.command('observe', 'desk', '--after', '4.1')
    expect(await at.end()).toMatchObject({ standings: { desk: 'contradicted' }, strict: 1 })
    const html = (await inProcess(['report', at.folder, '--format', 'html'])).stdout
    expect(html).toContain('Not complete')
    expect(html).toMatch(/What was not done/i)
    expect(html.slice(html.search(/What was not done/i)).slice(0, 2_000)).toContain('desk')
  })

  test('the latest observation decides', async () => {
    const at = await visit('device,address,image,version_target', ['desk,127.0.0.5,desk-4.4.bin,4.4'])
    await at.pull(5, 'desk-4.4.bin')
    await at.command('observe', 'desk', '--after', '4.1')
    await at.command('observe', 'desk', '--after', '4.4')
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test('an observation that was struck is left out', async () => {
    const at = await visit('device,address,image,version_target', ['desk,127.0.0.5,desk-4.4.bin,4.4'])
    await at.pull(5, 'desk-4.4.bin')
    await at.command('observe', 'desk', '--after', '4.1')
    const { seq } = await at.served.entry('observed')
    await at.command('strike', String(seq), '--reason', 'read off its neighbour')
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test('a version after that differs from a guessed target gives a remark only', async () => {
    const at = await oneDesk()
    await at.pull(5, 'desk-4.4.bin')
    await at.command('observe', 'desk', '--after', '4.1')
    const { standing, remarks, warnings } = await at.device('desk')
    expect(standing).toBe('pulled')
    expect([...remarks, ...warnings].join('\n')).toContain('4.1')
    expect(await at.end()).toMatchObject({ strict: 0 })
  })

  test('a version after that is right makes no device done that pulled nothing', async () => {
    const at = await visit('device,address,image,version_target', ['desk,127.0.0.5,desk-4.4.bin,4.4'])
    await at.command('observe', 'desk', '--after', '4.4')
    expect((await at.end()).strict).toBe(1)
  })
})

describe('steps', () => {
  const COLUMNS = 'device,address,image'
  const ROWS = ['desk,127.0.0.5,old-4.1.bin', 'desk,127.0.0.5,desk-4.4.bin']

  test('of several the first that is not done decides', async () => {
    const at = await visit(COLUMNS, ROWS)
    expect(await at.device('desk')).toMatchObject({ standing: 'waiting', step: 1 })
    await at.pull(5, 'old-4.1.bin')
    expect(await at.device('desk')).toMatchObject({ standing: 'waiting', step: 2, done: false })
    await at.pull(5, 'desk-4.4.bin')
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test('the last one alone is not enough', async () => {
    const at = await visit(COLUMNS, ROWS)
    await at.pull(5, 'desk-4.4.bin')
    expect(await at.device('desk')).toMatchObject({ step: 1, done: false })
    expect((await at.end()).strict).toBe(1)
  })
})

describe('who it was', () => {
  test('a client that is on no row and took image bytes is named in the tally and among the steps', async () => {
    const at = await oneDesk()
    await at.pull(9, 'radio-2.8.img')
    const page = await at.page()
    expect(page.board.rows).toContainEqual(
      expect.objectContaining({
        planned: false,
        address: '127.0.0.9',
        image: expect.stringContaining('radio-2.8.img'),
      }),
    )
    expect(page.nextSteps.map(({ text }) => text).join('\n')).toContain('127.0.0.9')
    expect(page.board.tally).toMatch(/1 .*(not on|no row|unplanned)/i)
  })

  test('plain audit marks pulls of a wrong image', async () => {
    const at = await visit('device,address,image', ['a,127.0.0.5,desk-4.4.bin', 'b,127.0.0.6,desk-4.4.bin'])
    await at.pull(5, 'radio-2.8.img')
    await at.pull(6, 'desk-4.4.bin')
    const lines = (await inProcess(['audit', at.folder])).stdout.split('\n')
    expect(lines.filter((line) => /wrong image/i.test(line))).toHaveLength(1)
  })

  test('via behind an address that several devices share is unconfirmed', async () => {
    const at = await visit('device,address,via,image', [
      'a,127.0.0.5,,desk-4.4.bin',
      'b,127.0.0.5,,desk-4.4.bin',
      'member,,a,desk-4.4.bin',
    ])
    await at.pull(5, 'desk-4.4.bin')
    const { standings, strict } = await at.end()
    expect(standings).toEqual({ a: 'unconfirmed', b: 'unconfirmed', member: 'unconfirmed' })
    expect(strict).toBe(1)
  })

  test('a device that sends the header of a rehearsal is a device all the same', async () => {
    const at = await oneDesk()
    await at.pull(5, 'desk-4.4.bin', ['Fetchproof-Rehearsal: yes'])
    expect(await at.end()).toMatchObject({ standings: { desk: 'pulled' }, strict: 0 })
  })

  test('the header with the code of this run, or from the address that serves, is a rehearsal', async () => {
    const at = await oneDesk()
    const code = /Rehearsal code.*: (\S+)/.exec(at.served.stderr())?.[1] ?? ''
    await at.pull(5, 'desk-4.4.bin', [`Fetchproof-Rehearsal: ${code}`])
    await at.pull(1, 'desk-4.4.bin', ['Fetchproof-Rehearsal: yes'])
    const plan = await at.plan()
    expect([plan.devices[0]?.standing, plan.strangers]).toEqual(['waiting', []])
  })
})

test(
  'a clock that is set back hides nothing: the wrong image came after the right one',
  needs('faketime'),
  async () => {
    const clock = join(await stagingFolder({}, onTestFinished), 'offset')
    writeFileSync(clock, '+0s\n')
    const env = {
      LD_PRELOAD: faketimeLibrary(),
      FAKETIME_TIMESTAMP_FILE: clock,
      FAKETIME_NO_CACHE: '1',
      FAKETIME_DONT_FAKE_MONOTONIC: '1',
      NO_FAKE_STAT: '1',
    }
    const at = await oneDesk({ serve: (folder) => serveFolder(folder, { cleanUp: onTestFinished, env }) })
    await at.pull(5, 'desk-4.4.bin')
    writeFileSync(clock, '-3600s\n')
    await at.pull(5, 'radio-2.8.img')
    expect(await at.end()).toMatchObject({ standings: { desk: 'wrong image' }, strict: 1 })
    const begun = ledgerEntries(at.folder).filter(({ kind }) => kind === 'fetch-begun')
    expect(Date.parse(begun[1]?.at ?? '')).toBeLessThan(Date.parse(begun[0]?.at ?? ''))
  },
)

test('between folders the time decides: what a device got at the second stop counts after the first', async () => {
  const first = await oneDesk()
  await first.pull(5, 'radio-2.8.img')
  await first.end()
  const second = await oneDesk()
  await second.pull(5, 'desk-4.4.bin')
  await second.end()
  for (const folders of [
    [first.folder, second.folder],
    [second.folder, first.folder],
  ]) {
    const { stdout } = await inProcess(['audit', ...folders, '--plan', '--format', 'json'])
    const { plan } = JSON.parse(stdout) as { plan: Plan }
    expect(plan.devices.map(({ standing }) => standing)).toEqual(['pulled'])
  }
})

test('what the page shows live is what a replay says, after all of it', async () => {
  const at = await visit('device,address,image,version_target', [
    'a,127.0.0.5,desk-4.4.bin,4.4',
    'b,127.0.0.6,desk-4.4.bin,4.4',
    'c,127.0.0.7,radio-2.8.img,',
  ])
  await at.pull(5, 'desk-4.4.bin')
  await at.pull(6, 'radio-2.8.img')
  await at.pull(7, 'radio-2.8.img')
  await at.command('observe', 'a', '--after', '4.1')
  rmSync(join(at.folder, 'radio-2.8.img'))
  await at.served.entry('image-gone')
  const replayed = (await at.plan()).devices.map(({ device, standing }) => [device, standing])
  expect(replayed).toEqual([
    ['a', 'contradicted'],
    ['b', 'wrong image'],
    ['c', 'pulled'],
  ])
  expect(await liveAgainstReplay(at.folder)).toEqual([])
})
