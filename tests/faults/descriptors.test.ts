/** The limit of open files reached: nobody is served falsely, it is said, nothing ends, and it passes by itself. */
import { createServer } from 'node:http'
import { networkInterfaces } from 'node:os'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { expect, onTestFinished, test } from 'vitest'
import { createConnections } from '../../server/image-port/connections.ts'
import { connectionsThatFit } from '../../server/network/open-files.ts'
import { createOwnAddresses } from '../../server/network/own-addresses.ts'
import { run } from '../clients/program.ts'
import { ask, connectRaw, exchange, parseHead, type RawClient, request } from '../clients/raw-client.ts'
import { imageBytes, type ServedProgram, serveFiles, sha256 } from '../clients/served.ts'
import { audit } from '../commands/in-process.ts'
import { needs } from '../needs.ts'
import { shown } from './bench.ts'
import { openFiles } from './process-figures.ts'

const IMAGE = imageBytes(8 * 1024 * 1024, 'descriptors')
const OTHER = imageBytes(100_000, 'descriptors, other')
const CROWD = 120

test(
  'connections that take all files are refused with a word, and fetches under way and later ones are whole',
  needs('prlimit'),
  async () => {
    const served = await serveFiles({ 'image.bin': IMAGE, 'other.bin': OTHER }, { cleanUp: onTestFinished })
    const underWay = await ask(served.port, '/image.bin')
    onTestFinished(() => underWay.reset())
    await underWay.readBody(100_000)
    await limitFiles(served, { more: 30 })
    // It looks at the limit once a second: limits do not change, as a rule.
    await pause(1_100)

    const crowd: RawClient[] = []
    onTestFinished(async () => {
      await Promise.all(crowd.map((client) => client.reset()))
    })
    for (let at = 0; at < CROWD; at += 1) crowd.push(await connectRaw(served.port))
    const refusal = await served.entry('fetch-refused')
    expect(refusal.reason).toBe('the system lets the program open no more files')
    const page = await shown(join(served.folder, '.fetchproof'), ({ troubles }) => troubles.length > 0)
    expect(page.troubles.map(({ message }) => message)).toEqual([expect.stringContaining('ulimit -n')])
    // What devices ask for is still opened and served: some files are kept free, and those that ask stay.
    const { raw, client } = await exchange(served.port, request('/other.bin'))
    expect(parseHead(raw)?.status).toBe(200)
    expect(client.bodySha256()).toBe(sha256(OTHER))

    await Promise.all(crowd.map((each) => each.reset()))
    expect(await underWay.readToEnd()).toBe('closed')
    await underWay.close()
    expect(underWay.bodySha256()).toBe(sha256(IMAGE))
    await expect.poll(() => openFiles(served.process.pid ?? 0), { timeout: 10_000 }).toBeLessThan(60)
    const after = await exchange(served.port, request('/image.bin'))
    expect(after.client.bodySha256()).toBe(sha256(IMAGE))
    await served.ended(after.client.port)
    expect(await served.stop()).toBe(0)
    const { ledger, fetches } = await audit(served.folder)
    expect(ledger.intact).toBe(true)
    const endings = fetches.filter(({ image }) => image !== null).map(({ ending }) => ending)
    expect(endings).toEqual(['delivered', 'delivered', 'delivered'])
  },
)

test(
  'with no file left at all an image is not taken for changed, and is served when there are files again',
  needs('prlimit'),
  async () => {
    const served = await serveFiles({ 'image.bin': IMAGE }, { cleanUp: onTestFinished })
    const client = await connectRaw(served.port)
    onTestFinished(() => client.reset())
    await exchange(served.port, request('/not-there.bin'))
    // The limit is on a file's number, not on how many are open: some come and go, and give back a low number.
    await limitFiles(served, { to: 3 })
    client.send(request('/image.bin'))
    const head = await client.head()
    expect(head.status).toBe(503)
    expect(head.field('retry-after')).toBe('5')
    expect((await served.refused(client.port)).reason).toContain('EMFILE')
    await limitFiles(served, { more: 100 })
    const { raw } = await exchange(served.port, request('/image.bin'))
    expect(parseHead(raw)?.status).toBe(200)
    expect(served.entries.filter(({ kind }) => kind === 'image' || kind === 'image-gone')).toHaveLength(1)
    expect(served.process.exitCode).toBe(null)
  },
)

test('a connection that the system could not give us (accept: EMFILE) does not end the program', async () => {
  let crowded = 0
  const connections = createConnections(
    { requestMs: 1_000, maxConnections: 10, waiting: () => 0, after: () => () => undefined },
    {
      dropped: () => undefined,
      crowded: () => {
        crowded += 1
      },
    },
  )
  const server = createServer()
  connections.attach(server)
  server.emit('error', Object.assign(new Error('accept EMFILE'), { code: 'EMFILE', syscall: 'accept' }))
  expect(crowded).toBe(1)
})

test('connections may take what the system allows, less what else is open and some files kept free', () => {
  let now = 0
  let open = 50
  const allowed = connectionsThatFit(
    () => ({ limit: 100, open }),
    () => now,
  )
  expect(allowed(10)).toBe(100 - 40 - 16)
  open = 90
  expect(allowed(50)).toBe(44)
  now = 5_000
  expect(allowed(20)).toBe(100 - 70 - 16)
  const unknown = connectionsThatFit(() => undefined)
  expect(unknown(10_000)).toBe(Number.POSITIVE_INFINITY)
})

test('own addresses that cannot be asked for (no file left) stay what they were, and end nothing', () => {
  let now = 0
  let fails = false
  const own = createOwnAddresses({
    now: () => now,
    interfaces() {
      if (fails) throw new Error('uv_interface_addresses returned Unknown system error 24')
      return networkInterfaces()
    },
  })
  const before = own()
  expect(before.length).toBeGreaterThan(0)
  fails = true
  now = 60_000
  expect(own()).toBe(before)
})

/** From now on the program may have so many more files open than it has, or so many (prlimit(1), util-linux). */
async function limitFiles(
  { process: child }: ServedProgram,
  allowed: { readonly more: number } | { readonly to: number },
): Promise<void> {
  const limit = 'to' in allowed ? allowed.to : openFiles(child.pid ?? 0) + allowed.more
  const { status } = await run('prlimit', ['--pid', String(child.pid), `--nofile=${limit}:1000`])
  if (status !== 0) throw new Error('the limit of open files cannot be set')
}
