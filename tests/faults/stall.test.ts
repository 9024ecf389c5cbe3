/**
 * The program stands still for a while, as on a laptop that sleeps, and then goes on: SIGSTOP and SIGCONT. Its limits
 * are about devices that do nothing. What it did not see because it did not run itself is held against nobody.
 */
import { setTimeout as pause } from 'node:timers/promises'
import { beforeAll, describe, expect, test } from 'vitest'
import { ask, connectRaw, exchange, parseHead, type RawClient, request } from '../clients/raw-client.ts'
import { imageBytes, type ServedProgram, serveFiles, sha256, untilAllDone } from '../clients/served.ts'
import { audit } from '../commands/in-process.ts'

const LARGE = imageBytes(12 * 1024 * 1024, 'stall')
const SMALL = imageBytes(50_000, 'stall, small')
/** Each of the program's own limits is shorter than it sleeps. */
const LIMITS = ['--pause-ms', '2500', '--linger-ms', '2500', '--request-ms', '2500', '--stalled-ms', '500']
const ASLEEP_MS = 3_500

describe('after a sleep that is longer than its limits', () => {
  const whenAllDone = untilAllDone()
  let served: ServedProgram
  let reading: RawClient
  let idle: RawClient
  let closing: RawClient
  let asking: RawClient
  let silent: RawClient
  let breaking: RawClient

  beforeAll(async () => {
    served = await serveFiles(
      { 'large.bin': LARGE, 'small.bin': SMALL },
      { cleanUp: whenAllDone, flags: LIMITS },
    )
    const large = async (): Promise<RawClient> => {
      const client = await ask(served.port, '/large.bin')
      await client.readBody(1_000_000)
      return client
    }
    reading = await large()
    idle = await large()
    breaking = await large()
    closing = await ask(served.port, '/small.bin')
    await closing.readToEnd()
    asking = await connectRaw(served.port)
    silent = await connectRaw(served.port)
    for (const client of [reading, idle, breaking, closing, asking, silent]) whenAllDone(() => client.reset())
    // Answered only after the connections before it were accepted.
    await exchange(served.port, request('/small.bin'))

    served.process.kill('SIGSTOP')
    asking.send(request('/small.bin'))
    await Promise.all([closing.close(), breaking.reset(), pause(ASLEEP_MS)])
    served.process.kill('SIGCONT')
    await reading.readBody(2_000_000)
  })

  // A socket that takes nothing and a server that gives nothing look alike: only who was awake tells them apart.
  test('a fetch under way is not given up, and brings every byte', async () => {
    expect(await reading.readToEnd()).toBe('closed')
    await reading.close()
    expect(reading.bodySha256()).toBe(sha256(LARGE))
    expect(await served.ended(reading.port)).toMatchObject({ ending: 'delivered' })
  })

  test('a close that came in the sleep is seen, although the time to wait for it passed too', async () => {
    expect(await served.ended(closing.port)).toMatchObject({ ending: 'delivered' })
  })

  test('a request that came in the sleep is answered, although its connection is older than it may be', async () => {
    expect((await asking.head()).status).toBe(200)
    expect(await asking.readToEnd()).toBe('closed')
    await asking.close()
    expect(asking.bodySha256()).toBe(sha256(SMALL))
    expect(await served.ended(asking.port)).toMatchObject({ ending: 'delivered' })
  })

  test('what broke off in the sleep is told as cut', async () => {
    expect(await served.ended(breaking.port)).toMatchObject({ ending: 'cut' })
  })

  test('a device that reads nothing after it either is given up when its own time is over', async () => {
    expect(await served.ended(idle.port)).toMatchObject({ ending: 'withdrawn' })
    expect(await idle.readToEnd()).toBe('reset')
  })

  test('a connection that says nothing after it either is dropped and recorded', async () => {
    await silent.readToEnd()
    expect((await served.refused(silent.port)).reason).toContain('no complete request')
  })

  test('new fetches are served, and nothing in the audit is negative', async () => {
    const { raw, client } = await exchange(served.port, request('/small.bin'))
    expect(parseHead(raw)?.status).toBe(200)
    await served.ended(client.port)
    expect(await served.stop()).toBe(0)
    const { ledger, fetches, pulls } = await audit(served.folder)
    expect(ledger.intact).toBe(true)
    expect(fetches.filter(({ durationMs }) => (durationMs ?? 0) < 0)).toEqual([])
    expect(pulls.filter(({ seconds }) => (seconds ?? 0) < 0)).toEqual([])
  })
})
