/** `fetchproof rehearse`: every planted fault is found by the check that is for it, and none where there is none. */

import { readFileSync, writeFileSync } from 'node:fs'
import { networkInterfaces } from 'node:os'
import { join } from 'node:path'
import { Agent, request } from 'undici'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { targetsOfList } from '../../server/commands/rehearse/rehearsal-targets.ts'
import type { Checked } from '../../server/depot/door.ts'
import { REHEARSAL_HEADER } from '../../server/image-port/head.ts'
import { rehearserBy } from '../../server/image-port/rehearsal.ts'
import { checkTarget } from '../../server/image-port/rehearsal-checks.ts'
import type { LockHolder } from '../../server/ledger/lock.ts'
import { ownAddresses } from '../../server/network/addresses.ts'
import { createTftpRehearser } from '../../server/tftp-port/rehearsal.ts'
import {
  freePort,
  freeUdpPort,
  imageBytes,
  ledgerEntries,
  type Served,
  serveFilesHere,
  serveHere,
  sha256,
  stagingFolder,
} from '../clients/served.ts'
import { type FaultProxy, faultProxy, type Passing, passOn } from './fault-proxy.ts'
import { audit, inProcess } from './in-process.ts'

const DESK = imageBytes(400_000, 'desk')
const DESK_SHA256 = sha256(DESK)
const FILES = {
  'desk.bin': DESK,
  'lobby/gate 1.img': imageBytes(70_001, 'gate'),
  'empty.bin': Buffer.alloc(0),
}

const cleanings: (() => Promise<void>)[] = []
const cleanUp = (clean: () => Promise<void>): void => void cleanings.push(clean)
afterAll(async () => {
  for (const clean of cleanings.reverse()) await clean()
})

let served: Served
const agent = new Agent({ headersTimeout: 5_000, bodyTimeout: 5_000 })
const way = { dispatcher: agent, code: undefined }
beforeAll(async () => {
  served = await serveFilesHere(FILES, { cleanUp, flags: ['--list'] })
  cleanUp(() => agent.destroy())
})

async function through(fault?: (passing: Passing) => void | Promise<void>): Promise<FaultProxy> {
  const proxy = await faultProxy(served.port, fault)
  cleanUp(() => proxy.close())
  return proxy
}

async function rehearsed(
  fault: (passing: Passing) => void | Promise<void>,
  bytes: number | 'not known' = DESK.length,
): Promise<Checked> {
  const { base } = await through(fault)
  const known = bytes === 'not known' ? undefined : bytes
  const target = { base, path: '/desk.bin', name: 'desk.bin', bytes: known, sha256: DESK_SHA256 }
  return checkTarget(target, way)
}

const isWhole = ({ request }: Passing): boolean =>
  request.method === 'GET' && request.headers.range === undefined
const isPart = ({ request }: Passing): boolean =>
  request.method === 'GET' && request.headers.range !== undefined

/** Passes on, changed, what the condition is for. */
function changing(
  when: (passing: Passing) => boolean,
  change: (passing: Passing) => Partial<Pick<Passing, 'status' | 'headers' | 'body'>>,
): (passing: Passing) => void {
  return (passing) => passOn(when(passing) ? { ...passing, ...change(passing) } : passing)
}

function oneByteChanged(body: Buffer): Buffer {
  const other = Buffer.from(body)
  other.writeUInt8(other.readUInt8(other.length - 7) ^ 0x01, other.length - 7)
  return other
}

const LOGIN = Buffer.from('<!DOCTYPE html>\n<html><title>Sign in to the county network</title></html>\n')
const htmlHeaders = (body: Buffer) => ({ 'content-type': 'text/html', 'content-length': String(body.length) })

/** A length that is not that of the body, written past Node's own bookkeeping. */
function withLength(length: number): (passing: Passing) => void {
  return (passing) => {
    if (!isWhole(passing)) return passOn(passing)
    const { socket } = passing.response
    socket?.end(
      Buffer.concat([
        Buffer.from(`HTTP/1.1 200 OK\r\nContent-Length: ${length}\r\nConnection: close\r\n\r\n`),
        passing.body,
      ]),
    )
  }
}

describe('a rehearsal of one image', () => {
  it('finds nothing where there is nothing, with the size known beforehand or not', async () => {
    for (const bytes of [DESK.length, 'not known'] as const) {
      const { checks, differences, bytes: came } = await rehearsed(passOn, bytes)
      expect(differences).toEqual([])
      expect([checks, came]).toEqual([6, DESK.length])
    }
  })

  const faults: readonly (readonly [string, (passing: Passing) => void | Promise<void>, string, RegExp])[] = [
    [
      'a changed byte',
      changing(isWhole, ({ body }) => ({ body: oneByteChanged(body) })),
      'digest',
      /400000 bytes with SHA-256/,
    ],
    [
      'a changed byte in a range alone',
      changing(isPart, ({ body }) => ({ body: oneByteChanged(body) })),
      'range resume',
      /^bytes differ from those of the complete image$/,
    ],
    [
      'a shortened body that breaks off',
      (passing) => {
        if (!isWhole(passing)) return passOn(passing)
        passing.response.writeHead(200, passing.headers)
        passing.response.write(passing.body.subarray(0, 150_000), () =>
          passing.response.socket?.destroySoon(),
        )
      },
      'digest',
      /broke off after 150000 bytes/,
    ],
    [
      'a shortened body with its own length',
      changing(isWhole, ({ body, headers }) => ({
        body: body.subarray(0, 150_000),
        headers: { ...headers, 'content-length': '150000' },
      })),
      'Content-Length digest HEAD',
      /150000/,
    ],
    [
      'a login page with status 200',
      changing(
        () => true,
        () => ({ status: 200, body: LOGIN, headers: htmlHeaders(LOGIN) }),
      ),
      'Content-Length digest',
      /74 instead of 400000|login page on the way/,
    ],
    [
      'a redirect',
      changing(
        () => true,
        () => ({ status: 302, body: Buffer.alloc(0), headers: { location: 'http://192.0.2.1/login' } }),
      ),
      'status',
      /^status 302, sent on to http:\/\/192\.0\.2\.1\/login$/,
    ],
    [
      'an error',
      changing(
        () => true,
        () => ({ status: 502, body: Buffer.alloc(0), headers: {} }),
      ),
      'status',
      /^status 502$/,
    ],
    [
      'ranges that are ignored',
      async (passing) => {
        if (!isPart(passing)) return passOn(passing)
        passOn({ response: passing.response, ...(await passing.ask({})) })
      },
      'range resume',
      /^status 200: the range was ignored$/,
    ],
    [
      'a range that says it is another one',
      changing(isPart, ({ headers }) => ({
        headers: { ...headers, 'content-range': `bytes 0-9/${DESK.length}` },
      })),
      'range resume',
      /^Content-Range bytes 0-9\/400000 instead of bytes \d+-\d+\/400000$/,
    ],
    [
      'a resume that begins anew',
      changing(
        (passing) => passing.request.headers.range?.endsWith('-') === true,
        ({ headers, body }) => ({ headers, body: Buffer.from(DESK.subarray(0, body.length)) }),
      ),
      'resume',
      /^bytes differ from those of the complete image$/,
    ],
    [
      'a length that is too large',
      withLength(DESK.length + 10),
      'Content-Length digest HEAD',
      /400010 instead of|broke off|content-length/,
    ],
    [
      'a length that is too small',
      withLength(DESK.length - 10),
      'Content-Length digest HEAD',
      /399990|broke off|content-length/,
    ],
    [
      'no length',
      changing(isWhole, ({ headers: { 'content-length': _length, ...headers } }) => ({ headers })),
      'Content-Length HEAD',
      /^there is none$|content-length is 400000, and absent to GET/,
    ],
    [
      'HEAD with another length',
      changing(
        ({ request }) => request.method === 'HEAD',
        ({ headers }) => ({ headers: { ...headers, 'content-length': '17' } }),
      ),
      'HEAD',
      /^content-length is 17, and 400000 to GET$/,
    ],
    [
      'HEAD with another tag',
      changing(
        ({ request }) => request.method === 'HEAD',
        ({ headers }) => ({ headers: { ...headers, etag: '"older"' } }),
      ),
      'HEAD',
      /^etag is "older", and "[0-9a-f]{64}" to GET$/,
    ],
    [
      'HEAD that is not answered',
      changing(
        ({ request }) => request.method === 'HEAD',
        () => ({ status: 405, headers: {} }),
      ),
      'HEAD',
      /^status 405, and 200 to GET$/,
    ],
    [
      'a connection that is reset',
      ({ response }) => void response.socket?.resetAndDestroy(),
      'connection',
      /reset|closed/,
    ],
  ]
  it.each(faults)('finds %s', async (_what, fault, checks, found) => {
    const { differences } = await rehearsed(fault)
    expect(differences.map(({ check }) => check).join(' ')).toBe(checks)
    for (const difference of differences) expect(difference.found).toMatch(found)
  })

  it('tells a login page by its words', async () => {
    const page = changing(
      () => true,
      () => ({ status: 200, body: LOGIN, headers: htmlHeaders(LOGIN) }),
    )
    const { differences } = await rehearsed(page, 'not known')
    expect(differences.map(({ found }) => found)).toEqual([expect.stringContaining('such as a login page')])
  })

  it('says in every request that it is a rehearsal', async () => {
    const { base, seen } = await through()
    const target = { base, path: '/desk.bin', name: 'desk.bin', bytes: DESK.length, sha256: DESK_SHA256 }
    await checkTarget(target, way)
    expect(seen.map(({ method }) => method)).toEqual(['GET', 'HEAD', 'GET', 'GET'])
    expect(seen.every(({ headers }) => headers[REHEARSAL_HEADER] !== undefined)).toBe(true)
  })

  it('gives up where nothing listens', async () => {
    const base = `http://127.0.0.1:${await freePort()}`
    const checked = await checkTarget(
      { base, path: '/desk.bin', name: 'desk.bin', bytes: 1, sha256: DESK_SHA256 },
      way,
    )
    expect(checked).toMatchObject({ unreachable: true, differences: [{ check: 'connection' }] })
  })

  it('of a single byte asks for no range, and of two bytes for both', async () => {
    const images = { 'one.bin': Buffer.from([1]), 'two.bin': Buffer.from([1, 2]) }
    const { port } = await serveFilesHere(images, { cleanUp })
    for (const [name, checks] of [
      ['one.bin', 4],
      ['two.bin', 6],
    ] as const) {
      const bytes = images[name].length
      const target = {
        base: `http://127.0.0.1:${port}`,
        path: `/${name}`,
        name,
        bytes,
        sha256: sha256(images[name]),
      }
      expect(await checkTarget(target, way)).toMatchObject({ checks, differences: [] })
    }
  })
})

describe('fetchproof rehearse with a base URL', () => {
  it('fetches all of the list by both paths, says what it does not prove, records nothing', async () => {
    const { base } = await through()
    const { status, stdout } = await inProcess(['rehearse', `${base}/`])
    // One line an address, with no line for each image.
    expect(stdout.split('\n')[0]).toMatch(/^http:\S+ {2}2 images, 24 checks: identical$/)
    expect(stdout).not.toContain('/desk.bin')
    expect(stdout).toContain(
      '24 checks at one address: every image is identical to the file in the staging folder.',
    )
    expect(stdout).toContain('Not proven: that the firewall of this laptop lets other machines in')
    expect(status).toBe(0)
    expect(ledgerEntries(served.folder).filter(({ kind }) => kind === 'rehearsed')).toEqual([])
  })

  it('ends with 1 at a difference and names it', async () => {
    const { base } = await through(
      changing(
        (passing) => isWhole(passing) && passing.request.url === '/desk.bin',
        ({ body }) => ({ body: oneByteChanged(body) }),
      ),
    )
    const { status, stdout } = await inProcess(['rehearse', base, '--verbose'])
    expect(stdout).toContain('DIFFERS: digest')
    for (const path of [`/${DESK_SHA256.slice(0, 8)}.bin`, '/lobby/gate-1.img'])
      expect(stdout).toContain(path)
    expect(stdout).toContain(`${base}/desk.bin  digest: 400000 bytes with SHA-256`)
    expect(status).toBe(1)
    const json = await inProcess(['rehearse', base, '--format', 'json'])
    expect(JSON.parse(json.stdout)).toMatchObject({
      differences: [{ url: `${base}/desk.bin`, check: 'digest' }],
      recorded: false,
    })
  })

  it('says what to do when there is no list, no server, or no base URL', async () => {
    const unlisted = await serveFilesHere({ 'desk.bin': DESK }, { cleanUp })
    const cases = [
      [`http://127.0.0.1:${unlisted.port}`, 2, 'FP_LIST_NOT_OFFERED', 'Serve with --list'],
      [`http://127.0.0.1:${await freePort()}`, 1, 'FP_BASE_UNREACHABLE', 'nothing listens there'],
      ['ftp://127.0.0.1/', 2, 'FP_USAGE', 'not a base URL'],
    ] as const
    for (const [where, expected, code, words] of cases) {
      const { status, stderr } = await inProcess(['rehearse', where])
      expect(stderr).toContain(code)
      expect(stderr).toContain(words)
      expect(status).toBe(expected)
    }
  })
})

describe('fetchproof rehearse of a folder that is served by TFTP too', () => {
  const tftp = (port: number) => ['--tftp', '--tftp-port', String(port), '--list']

  /** The base URLs, as the running server says them. */
  async function basesOf(folder: string): Promise<string[]> {
    const { stdout } = await inProcess(['images', folder, '--format', 'json'])
    const { images } = JSON.parse(stdout) as { images: { plainPath: string; urls: string[] }[] }
    return [
      ...new Set(images.flatMap(({ plainPath, urls }) => urls.map((url) => url.slice(0, -plainPath.length)))),
    ]
  }

  it('fetches each image through that door as well, and no device has pulled anything', async () => {
    const port = await freeUdpPort()
    const server = await serveFilesHere(FILES, { cleanUp, listen: '0.0.0.0', flags: tftp(port) })
    const bases = await basesOf(server.folder)
    expect(bases.some((base) => base.startsWith('http:'))).toBe(true)
    const tftpBases = bases.filter((base) => base.startsWith('tftp:'))
    expect(tftpBases.every((base) => base.endsWith(`:${port}`))).toBe(true)
    expect(tftpBases.length).toBeGreaterThan(0)
    const { status, stdout, stderr } = await inProcess(['rehearse', server.folder, '--format', 'json'])
    expect(stderr).toBe('')
    expect(status).toBe(0)
    const result = JSON.parse(stdout) as { bases: { base: string; checks: number; differences: number }[] }
    // Two images, both paths of each: an ERROR or none, the length, the digest.
    for (const base of tftpBases)
      expect(result.bases).toContainEqual({ base, checks: 2 * 2 * 3, differences: 0 })
    const { fetches, pulls } = await audit(server.folder)
    expect(pulls).toEqual([])
    const byTftp = fetches.filter(({ door }) => door === 'tftp')
    expect(byTftp).toHaveLength(4 * tftpBases.length)
    for (const { ending, rehearsal } of byTftp)
      expect({ ending, rehearsal }).toEqual({ ending: 'delivered', rehearsal: true })
  })

  it('takes the list by TFTP as well, says what differs, and where nothing answers', async () => {
    const port = await freeUdpPort()
    const server = await serveFilesHere({ 'desk.bin': DESK }, { cleanUp, flags: tftp(port) })
    const base = `tftp://127.0.0.1:${port}`
    const whole = await inProcess(['rehearse', base, '--format', 'json'])
    expect(whole.stderr).toBe('')
    expect(JSON.parse(whole.stdout)).toMatchObject({ checks: 6, differences: [] })
    const rehearser = createTftpRehearser(undefined)
    const target = { base, path: '/desk.bin', name: 'desk.bin', bytes: 7, sha256: '0'.repeat(64) }
    const { differences } = await rehearser.check(target)
    expect(differences.map(({ check }) => check)).toEqual(['tsize', 'digest'])
    const absent = await rehearser.check({ ...target, path: '/other.bin' })
    expect(absent.differences).toMatchObject([{ check: 'answer', found: 'error 1: no image of that name.' }])
    await server.stop()
    const nobody = await inProcess(['rehearse', base])
    expect(nobody.stderr).toContain('FP_BASE_UNREACHABLE')
  })
})

/** As another laptop: from a loopback address that is not the one which answers. */
describe('who is believed to rehearse', () => {
  const from = (localAddress: string) =>
    new Agent({ localAddress, headersTimeout: 5_000, bodyTimeout: 5_000 })

  async function rehearsedFrom(address: string, code: string | undefined) {
    const server = await serveFilesHere({ 'desk.bin': DESK }, { cleanUp, flags: ['--list'] })
    const printed = /another laptop: ([a-z2-9]{4}-[a-z2-9]{4})$/m.exec(server.stderr())?.[1] ?? ''
    const dispatcher = from(address)
    cleanUp(() => dispatcher.destroy())
    const way = { dispatcher, code: code === 'printed' ? printed : code }
    const base = `http://127.0.0.1:${server.port}`
    const list = await targetsOfList(base, rehearserBy(way)).catch((error: unknown) => error)
    const target = { base, path: '/desk.bin', name: 'desk.bin', bytes: DESK.length, sha256: DESK_SHA256 }
    await checkTarget(target, way)
    const { id } = await server.entry('fetch-begun', ({ promised }) => promised > 0)
    await server.entry('fetch-ended', (ended) => ended.id === id)
    return { list, server, pulls: (await audit(server.folder)).pulls }
  }

  it.each([
    ['this machine, whatever it says', '127.0.0.1', undefined],
    ['who knows the code of this run', '127.0.0.2', 'printed'],
  ])('%s', async (_who, address, code) => {
    const { list, pulls } = await rehearsedFrom(address, code)
    expect(list).toMatchObject({ targets: expect.any(Array) })
    expect(pulls).toEqual([])
  })

  it('and nobody else: a device that says it rehearses pulls like any other', async () => {
    for (const code of [undefined, 'yes', 'abcd-efgh', 'printed?']) {
      const { list, pulls, server } = await rehearsedFrom('127.0.0.2', code)
      if (code !== undefined) expect(list).toMatchObject({ code: 'FP_REHEARSAL_CODE' })
      expect(pulls.length).toBeGreaterThan(0)
      expect(await server.entry('fetch-begun', ({ promised }) => promised > 0)).not.toHaveProperty(
        'rehearsal',
      )
    }
  })

  it('the code grants the mark and nothing else: what is not planned is refused', async () => {
    const folder = await stagingFolder({ 'desk.bin': DESK }, cleanUp)
    writeFileSync(join(folder, 'visit.csv'), 'device,address,image\nx,127.0.0.9,desk.bin\n')
    const server = await serveHere(folder, { cleanUp, flags: ['--only-planned'] })
    await server.image('desk.bin')
    const code = /another laptop: (\S+)$/m.exec(server.stderr())?.[1] ?? ''
    const dispatcher = from('127.0.0.2')
    cleanUp(() => dispatcher.destroy())
    const headers = { [REHEARSAL_HEADER]: code }
    const { statusCode, body } = await request(`http://127.0.0.1:${server.port}/desk.bin`, {
      dispatcher,
      headers,
    })
    await body.dump()
    expect(statusCode).toBe(403)
  })

  it('on another laptop the code is typed or comes from the environment; without one nothing is fetched', async () => {
    const { status, stderr } = await inProcess(['rehearse', 'http://192.0.2.10:8080'])
    expect([status, stderr.includes('FP_REHEARSAL_CODE')]).toEqual([2, true])
  })
})

const own = ownAddresses(networkInterfaces()).find(
  ({ offerable, linkLocal, tunnel }) => offerable && !linkLocal && !tunnel,
)

describe('fetchproof rehearse on a folder', () => {
  // Packets to an own address never leave this machine.
  it('rehearses every ready image at every own address, records the result, and counts as no pull', {
    skip: own === undefined,
  }, async () => {
    const { folder, port, entry } = await serveFilesHere(FILES, { cleanUp, listen: own?.address ?? '' })
    const { status, stdout } = await inProcess([
      'rehearse',
      folder,
      '--by',
      'M. Engineer',
      '--format',
      'json',
    ])
    expect(JSON.parse(stdout)).toMatchObject({
      checks: 24,
      differences: [],
      notRehearsed: [{ name: 'empty.bin' }],
      recorded: true,
    })
    expect(status).toBe(0)
    expect(await entry('rehearsed')).toMatchObject({ by: 'M. Engineer', checks: 24, differences: [] })
    expect((await entry('rehearsed')).base).toContain(`:${port}`)
    const { pulls, fetches, ledger } = await audit(folder)
    expect(pulls).toEqual([])
    expect(fetches.length).toBeGreaterThan(0)
    expect(ledger.intact).toBe(true)
  })

  it('is recorded only with the token of the run', async () => {
    const lock = JSON.parse(
      readFileSync(join(served.folder, '.fetchproof', 'lock.json'), 'utf8'),
    ) as LockHolder
    const body = JSON.stringify({ base: 'http://192.0.2.10:8080', checks: 0, differences: [] })
    const headers = { 'content-type': 'application/json' }
    const url = `http://127.0.0.1:${lock.pagePort}/api/rehearsed`
    const { statusCode, body: answer } = await request(url, { method: 'POST', headers, body, reset: true })
    await answer.dump()
    expect(statusCode).toBe(401)
    expect(ledgerEntries(served.folder).filter(({ kind }) => kind === 'rehearsed')).toEqual([])
  })

  it('that is served on loopback alone has no address to rehearse', async () => {
    const { status, stderr } = await inProcess(['rehearse', served.folder])
    expect([status, stderr.includes('FP_NO_ADDRESS')]).toEqual([2, true])
  })

  it('that nobody serves says how to serve it', async () => {
    const folder = await stagingFolder({ 'desk.bin': DESK }, cleanUp)
    const { status, stderr } = await inProcess(['rehearse', folder])
    expect(stderr).toMatch(/Start "\S.* serve" for it/)
    expect([status, stderr.includes('FP_NOT_SERVED')]).toEqual([2, true])
  })
})
