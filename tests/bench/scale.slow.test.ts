/** Five hundred images and a thousand pulls: looking again costs little, and says little. */
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { createSnapshots } from '../../server/bench/snapshot.ts'
import { device, noise, startRunning } from './running.ts'

const IMAGES = 500
const PULLS = 1_000
const AT_ONCE = 20

test('500 images and 1,000 pulls', async () => {
  const run = await startRunning()
  onTestFinished(() => run.close())
  for (let at = 0; at < IMAGES; at += 1) {
    await writeFile(join(run.folder, `image-${at}.bin`), noise(2_000, at + 1))
  }
  await run.depot.catalogue.rescan()
  await run.depot.catalogue.idle()
  for (let at = 0; at < PULLS; at += AT_ONCE) {
    const devices = Array.from({ length: AT_ONCE }, (_, each) =>
      device({
        port: run.imagePort,
        path: `/image-${(at + each) % IMAGES}.bin`,
        from: `127.0.${1 + Math.floor((at + each) / 250)}.${1 + ((at + each) % 250)}`,
      }).finish(),
    )
    await Promise.all(devices)
  }
  await run.depot.ledger.synced()
  await run.stage('big.bin', noise(24 * 1024 * 1024))
  const moving = device({ port: run.imagePort, path: '/big.bin', pauseAt: 1_000_000 })
  await moving.has(1_000_000)
  await expect.poll(() => run.depot.livePulls().filter((pull) => pull.movement !== undefined).length).toBe(1)

  const snapshots = createSnapshots({
    depot: run.depot,
    firewall: () => [],
  })
  const first = timed(() => snapshots.refresh())
  const whole = timed(() => snapshots.whole())
  const again = Array.from({ length: 20 }, () => timed(() => snapshots.refresh()))
  const said = again.map(({ value }) => snapshots.json(value).length)
  const figures = {
    wholeBytes: whole.value.length,
    firstMs: first.ms,
    againMs: median(again.map(({ ms }) => ms)),
    mostSaidAgain: Math.max(...said),
  }
  process.stdout.write(`snapshot of ${IMAGES} images, ${PULLS} pulls: ${JSON.stringify(figures)}\n`)
  moving.breakOff()

  expect(JSON.parse(whole.value)).toMatchObject({ pullsOver: PULLS })
  // Generous bounds: what must not come back is serialising everything at every look.
  expect(figures.mostSaidAgain).toBeLessThan(2_000)
  expect(figures.againMs).toBeLessThan(figures.firstMs)
})

function timed<T>(work: () => T): { value: T; ms: number } {
  const begun = performance.now()
  const value = work()
  return { value, ms: performance.now() - begun }
}

function median(values: readonly number[]): number {
  return [...values].sort((a, b) => a - b)[Math.floor(values.length / 2)] ?? 0
}
