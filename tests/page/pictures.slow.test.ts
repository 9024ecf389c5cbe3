/** Pictures of the page at eight moments of a visit, wide and narrow, light and dark; the README shows two of them. */
import { mkdir, mkdtemp, realpath, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, onTestFinished, test } from 'vitest'
import type { Running } from '../bench/running.ts'
import { needs } from '../needs.ts'
import { usePages } from './browser.ts'
import { library } from './library.ts'

const SHOTS = fileURLToPath(new URL('./shots', import.meta.url))
/** To look at all of them, name a folder. */
const elsewhere = process.env.FETCHPROOF_PICTURES
const IN_README: ReadonlySet<string> = new Set(['wrong-image-wide-light', 'stalled-narrow-dark'])
const SIZES = {
  wide: { width: 1440, height: 900 },
  laptop: { width: 1280, height: 640 },
  narrow: { width: 400, height: 860 },
}

const pages = usePages()

/** As it would be read at an invented library: documentation addresses (RFC 5737) in place of loopback's. */
function atLibrary(folder: string): string {
  return `{
    const parse = JSON.parse
    JSON.parse = (text) =>
      parse(text.replaceAll('127.0.0.', '192.0.2.').replaceAll(${JSON.stringify(folder)}, '/home/engineer/library-visit'))
  }`
}

/** One page for all moments: opening one a picture takes so long that the moment passes. */
async function photographer(
  run: Running,
): Promise<(moment: string, until: string | RegExp) => Promise<void>> {
  const tab = await pages.open(run, { before: atLibrary(run.folder), mayComplain: /ERR_|Failed to load/ })
  return async (moment, until) => {
    await tab.getByText(until).first().waitFor()
    for (const colorScheme of ['light', 'dark'] as const) {
      await tab.emulateMedia({ colorScheme })
      for (const [size, viewport] of Object.entries(SIZES)) {
        const name = `${moment}-${size}-${colorScheme}`
        if (elsewhere === undefined && !IN_README.has(name)) continue
        await tab.setViewportSize(viewport)
        await tab.screenshot({ path: join(elsewhere ?? SHOTS, `${name}.png`) })
      }
    }
  }
}

test('eight moments of a visit', { timeout: 300_000, ...needs('chromium') }, async () => {
  const parent = await realpath(await mkdtemp(join(tmpdir(), 'pictures-')))
  onTestFinished(() => rm(parent, { recursive: true, force: true }))
  const folder = join(parent, 'library-visit')
  await mkdir(folder)
  await mkdir(elsewhere ?? SHOTS, { recursive: true })
  const run = await pages.run({ folder, settings: { stalledMs: 3_000 } })
  // A connection takes 32 MiB and more of what nobody reads: a device that stops is to stop in the middle.
  const evening = library(run, 12, 6, 96 * 1024 * 1024)
  const picture = await photographer(run)
  await picture('nothing', 'The staging folder is empty')

  await evening.stage()
  await picture('staged', '12 waiting')
  for (const at of [0, 1, 2, 4, 8]) await evening.pull(at)
  const moving = [5, 9].map((at, order) => evening.begin(at, 4_000_000 * (order + 1)))
  let isDripping = true
  const dripping = setInterval(() => {
    for (const each of moving) {
      const until = each.bytes() + 200_000
      each.resume()
      void each.has(until).then(() => isDripping && each.pause())
    }
  }, 150)
  await picture('pulling', '2 pulling')
  const stalled = evening.begin(3, 9_000_000)
  await picture('stalled', /^stalled \d/)
  const wrong = evening.begin(10, 12_000_000, `/${evening.images[5]}`)
  await picture('wrong-image', 'Stop it there before it writes.')
  isDripping = false
  clearInterval(dripping)
  await Promise.all(moving.map((each) => each.finish()))
  wrong.breakOff()
  run.depot.hold(evening.images[3] ?? '', 'it bricked one in the branch at Ost Mill', 'engineer')
  stalled.breakOff()
  await expect.poll(() => run.depot.livePulls()).toEqual([])
  await picture('held', /is held by/)
  run.depot.lift(evening.images[3] ?? '', 'tried again on the bench', 'engineer')
  await Promise.all([3, 5, 6, 7, 9, 10, 11].map((at) => evening.pull(at)))
  await picture('done', 'All 12 pulled')
  await run.close()
  await picture('lost', 'The server does not answer')
  expect(run.depot.pulls.pulls().length).toBeGreaterThanOrEqual(12)
})

test('a visit of 300 devices and 300 images', needs('chromium'), async () => {
  const run = await pages.run({ settings: { stalledMs: 1_500 } })
  const evening = library(run, 300, 300)
  await evening.stage()
  for (const at of [0, 7, 30, 150]) await evening.pull(at)
  const picture = await photographer(run)
  await picture('many', '4 of 300 done')
})
