/**
 * The program stands still for a while, as on a laptop that sleeps, and then goes on: SIGSTOP and SIGCONT. Its limits
 * are about devices that do nothing. What it did not see because it did not run itself is held against nobody.
 */
import { setTimeout as pause } from 'node:timers/promises'
import { expect, onTestFinished, test } from 'vitest'
import { audit } from '../clients/program.ts'
import { ask, connectRaw, exchange, parseHead, request } from '../clients/raw-client.ts'
import { imageBytes, type Served, serveFiles, sha256 } from '../clients/served.ts'

const LARGE = imageBytes(32 * 1024 * 1024, 'stall')
const SMALL = imageBytes(50_000, 'stall, small')
/** Each of the program's own limits is shorter than it sleeps. */
const LIMITS = ['--pause-ms', '1500', '--linger-ms', '1500', '--request-ms', '1500', '--stalled-ms', '500']
const ASLEEP_MS = 3_000

async function serving(flags: readonly string[] = LIMITS): Promise<Served> {
  return serveFiles({ 'large.bin': LARGE, 'small.bin': SMALL }, { cleanUp: onTestFinished, flags })
}

async function sleep({ process: child }: Served, meanwhile: () => Promise<unknown>): Promise<void> {
  child.kill('SIGSTOP')
  await Promise.all([pause(ASLEEP_MS), meanwhile()])
  child.kill('SIGCONT')
}

// A socket that takes nothing and a server that gives nothing look alike: only who was awake tells them apart.
test('a fetch under way is not given up for a sleep that is longer than a device may pause', async () => {
  const served = await serving()
  const client = await ask(served.port, '/large.bin')
  onTestFinished(() => client.reset())
  await client.readBody(1_000_000)
  // Paused already when it falls asleep, and reading again only some time after it woke.
  await sleep(served, () => Promise.resolve())
  await pause(700)
  expect(await client.readToEnd()).toBe('closed')
  await client.close()
  expect(client.bodySha256()).toBe(sha256(LARGE))
  expect(await served.ended(client.port)).toMatchObject({ ending: 'delivered' })
})

test('a device that reads nothing after the sleep either is given up when its own time is over', async () => {
  const served = await serving()
  const client = await ask(served.port, '/large.bin')
  onTestFinished(() => client.reset())
  await client.readBody(1_000_000)
  await sleep(served, () => Promise.resolve())
  expect(await served.ended(client.port)).toMatchObject({ ending: 'withdrawn' })
  expect(await client.readToEnd()).toBe('reset')
})

test('a close that came in the sleep is seen, although the time to wait for it passed in the sleep too', async () => {
  const served = await serving()
  const client = await ask(served.port, '/small.bin')
  onTestFinished(() => client.reset())
  expect(await client.readToEnd()).toBe('closed')
  await sleep(served, () => client.close())
  expect(await served.ended(client.port)).toMatchObject({ ending: 'delivered' })
})

test('a request that came in the sleep is answered, although its connection is older than a request may take', async () => {
  const served = await serving()
  const client = await connectRaw(served.port)
  onTestFinished(() => client.reset())
  await exchange(served.port, request('/small.bin'))
  await sleep(served, async () => client.send(request('/small.bin')))
  expect((await client.head()).status).toBe(200)
  expect(await client.readToEnd()).toBe('closed')
  await client.close()
  expect(client.bodySha256()).toBe(sha256(SMALL))
  expect(await served.ended(client.port)).toMatchObject({ ending: 'delivered' })
})

test('a connection that still says nothing after the sleep is dropped and recorded', async () => {
  const served = await serving()
  const client = await connectRaw(served.port)
  onTestFinished(() => client.reset())
  await sleep(served, () => Promise.resolve())
  await client.readToEnd()
  expect((await served.refused(client.port)).reason).toContain('no complete request')
})

test('new fetches after the sleep are served, and what ended in it is told truly', async () => {
  const served = await serving()
  const broken = await ask(served.port, '/large.bin')
  await broken.readBody(1_000_000)
  await sleep(served, () => broken.reset())
  expect(await served.ended(broken.port)).toMatchObject({ ending: 'cut' })
  const { raw, client } = await exchange(served.port, request('/small.bin'))
  expect(parseHead(raw)?.status).toBe(200)
  await served.ended(client.port)
  expect(await served.stop()).toBe(0)
  const { ledger, fetches } = await audit(served.folder)
  expect(ledger.intact).toBe(true)
  for (const fetch of fetches) expect(fetch.durationMs ?? 0).toBeGreaterThanOrEqual(0)
})
