/** The laptop's clock set back and forward while it serves (libfaketime; the clock that only goes forward stays). */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { checkLedger } from '../../server/ledger/read.ts'
import { ask, exchange, parseHead, request } from '../clients/raw-client.ts'
import {
  imageBytes,
  ledgerEntries,
  ledgerFile,
  putFile,
  type ServedProgram,
  serveFolder,
  sha256,
  stagingFolder,
} from '../clients/served.ts'
import { audit, inProcess } from '../commands/in-process.ts'
import { faketimeLibrary, needs } from '../needs.ts'

const LARGE = imageBytes(8 * 1024 * 1024, 'clock')
const HOUR_S = 3600

async function servingByAClock(): Promise<{ served: ServedProgram; set: (seconds: number) => void }> {
  const folder = await stagingFolder({ 'large.bin': LARGE }, onTestFinished)
  const offset = join(await stagingFolder({}, onTestFinished), 'offset')
  const set = (seconds: number): void => writeFileSync(offset, `${seconds < 0 ? '' : '+'}${seconds}s\n`)
  set(0)
  const served = await serveFolder(folder, {
    cleanUp: onTestFinished,
    env: {
      LD_PRELOAD: faketimeLibrary(),
      FAKETIME_TIMESTAMP_FILE: offset,
      FAKETIME_NO_CACHE: '1',
      FAKETIME_DONT_FAKE_MONOTONIC: '1',
      NO_FAKE_STAT: '1',
    },
  })
  await served.image('large.bin')
  return { served, set }
}

test(
  'a clock that is set while it serves breaks no chain and no order, and no time is negative or hours long',
  needs('faketime'),
  async () => {
    const { served, set } = await servingByAClock()
    const whole = async (): Promise<number> => {
      const { client } = await exchange(served.port, request('/large.bin'))
      expect(client.bodySha256()).toBe(sha256(LARGE))
      await served.ended(client.port)
      return client.port
    }
    const begunAt = async (port: number): Promise<number> => Date.parse((await served.begun(port)).at)

    const first = await whole()
    const underWay = await ask(served.port, '/large.bin', { localAddress: '127.0.0.2' })
    onTestFinished(() => underWay.reset())
    await underWay.readBody(100_000)
    set(2 * HOUR_S)
    const forward = await whole()
    expect((await begunAt(forward)) - (await begunAt(first))).toBeGreaterThan(1.5 * HOUR_S * 1000)
    set(-3 * HOUR_S)
    const back = await whole()
    expect((await begunAt(back)) - (await begunAt(first))).toBeLessThan(-2.5 * HOUR_S * 1000)
    expect(await underWay.readToEnd()).toBe('closed')
    await underWay.close()
    expect(underWay.bodySha256()).toBe(sha256(LARGE))
    expect(await served.ended(underWay.port)).toMatchObject({ ending: 'delivered' })
    // Back to where the first fetch was: by the wall clock these now run at once with it.
    set(0)
    const again = await whole()
    // A file that is newer than the clock says it is settles all the same.
    set(-HOUR_S)
    const late = imageBytes(50_000, 'from the future')
    putFile(served.folder, 'late.bin', late)
    await served.image('late.bin')
    expect(parseHead((await exchange(served.port, request('/late.bin'))).raw)?.status).toBe(200)
    expect(await served.stop()).toBe(0)

    const entries = ledgerEntries(served.folder)
    expect(entries.map(({ seq }) => seq)).toEqual(entries.map((_entry, at) => at + 1))
    expect(await checkLedger(ledgerFile(served.folder))).toMatchObject({ intact: true })
    const { fetches, pulls } = await audit(served.folder, ['--fetches'])
    expect(fetches.slice(0, 5).map(({ client }) => client.port)).toEqual([
      first,
      underWay.port,
      forward,
      back,
      again,
    ])
    for (const { durationMs, firstByteMs, lastByteMs } of fetches) {
      for (const ms of [durationMs, firstByteMs, lastByteMs]) {
        expect(ms).toBeGreaterThanOrEqual(0)
        expect(ms).toBeLessThan(60_000)
      }
    }
    for (const { seconds, bytesPerSecond, state, shared } of pulls) {
      expect(seconds).toBeGreaterThan(0)
      expect(seconds).toBeLessThan(60)
      expect(bytesPerSecond).toBeGreaterThan(0)
      expect({ state, shared }).toEqual({ state: 'complete', shared: false })
    }
  },
)

test(
  'fetches one after the other are not taken for several devices because the clock went back between them',
  needs('faketime'),
  async () => {
    const { served, set } = await servingByAClock()
    // Slow enough to last for a while by the wall clock.
    const slow = await ask(served.port, '/large.bin')
    await slow.readBody(1_000_000)
    await new Promise((passed) => setTimeout(passed, 1_200))
    expect(await slow.readToEnd()).toBe('closed')
    // It has everything and does not close yet: it writes flash.
    onTestFinished(() => slow.reset())
    // By the wall clock the next one now begins half a second after the first one began.
    set((Date.parse((await served.begun(slow.port)).at) + 500 - Date.now()) / 1000)
    const next = await exchange(served.port, request('/large.bin'))
    await served.ended(next.client.port)
    await slow.close()
    await served.ended(slow.port)
    expect(await served.stop()).toBe(0)
    const { pulls } = await audit(served.folder)
    expect(pulls.map(({ state, shared }) => ({ state, shared }))).toEqual([
      { state: 'complete', shared: false },
      { state: 'complete', shared: false },
    ])
    const report = join(served.folder, 'report.html')
    const made = await inProcess(['report', served.folder, '--output', report])
    expect(made).toMatchObject({ status: 0 })
  },
)
