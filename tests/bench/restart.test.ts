/** What the page knows of the run before: the laptop slept, or the server was ended in the middle of a pull. */
import { mkdtemp, realpath, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import type { NextStep, Snapshot } from '../../server/bench/snapshot-shape.ts'
import { device, noise, type Running, startRunning } from './running.ts'

const ENDED_IN_BETWEEN =
  /^127\.0\.0\.1 has only part of desk\.bin, as far as is known: its pull of [\d:]{8} broke off before this start\./

async function handsOf(run: Running): Promise<string[]> {
  const snapshot = (await (await fetch(`${run.page}/api/snapshot`)).json()) as Snapshot
  return snapshot.nextSteps.filter(({ weight }: NextStep) => weight === 'act').map(({ text }) => text)
}

test('a device whose pull ended with the server was forgotten by the next run', async () => {
  const folder = await realpath(await mkdtemp(join(tmpdir(), 'visit-')))
  onTestFinished(() => rm(folder, { recursive: true, force: true }))
  const first = await startRunning({ folder })
  await first.stage('desk.bin', noise(24_000_000))
  const client = device({ port: first.imagePort, path: '/desk.bin', pauseAt: 1_000_000 })
  await client.has(1_000_000)
  await first.close()

  const second = await startRunning({ folder })
  onTestFinished(() => second.close())
  await second.depot.catalogue.idle()
  expect(await handsOf(second)).toEqual([expect.stringMatching(ENDED_IN_BETWEEN)])
  await device({ port: second.imagePort, path: '/desk.bin' }).finish()
  await expect.poll(() => handsOf(second), { timeout: 10_000 }).toEqual([])
})
