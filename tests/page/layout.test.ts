/** What stands on the first screen: who is done, what needs a person, each device and each image. */
import { setTimeout as pause } from 'node:timers/promises'
import type { Page } from 'playwright-core'
import { expect, test } from 'vitest'
import { inPage, usePages } from './browser.ts'
import { library } from './library.ts'

const pages = usePages()
const SCREEN = { width: 1440, height: 900 }

interface Seen {
  readonly count: number
  /** Lowest edge of all of them, in CSS pixels from the top of the page. */
  readonly lowest: number
  readonly highest: number
}

/** `firstLine`: only so far as the first line of each reaches. */
function seen(tab: Page, selector: string): Promise<Seen> {
  return inPage(
    tab,
    `(() => {
      const boxes = [...document.querySelectorAll(${JSON.stringify(selector)})].map((it) => it.getBoundingClientRect())
      return {
        count: boxes.length,
        lowest: Math.max(...boxes.map(({ bottom }) => bottom)),
        highest: Math.max(...boxes.map(({ height }) => height)),
      }
    })()`,
  )
}

test('twelve devices and six images at 1440 × 900: tally, attention, all rows and all images are on the first screen', async () => {
  const run = await pages.run()
  const evening = library(run, 12, 6)
  await evening.stage()
  const tab = await pages.open(run, { viewport: SCREEN })
  await tab.getByRole('heading', { name: '0 of 12 done · 12 waiting' }).waitFor()
  for (const at of [0, 4, 8]) await evening.pull(at)
  const stalled = evening.begin(3, 9_000_000)
  const wrong = evening.begin(10, 9_000_000, `/${evening.images[5]}`)
  const cut = evening.begin(2, 2_000_000)
  await cut.has(2_000_000)
  cut.breakOff()
  run.depot.hold(evening.images[3] ?? '', 'it bricked one in the branch at Ost Mill', 'engineer')
  run.depot.hold(evening.images[1] ?? '', 'superseded this morning', 'engineer')
  await tab.getByRole('heading', { name: /^3 of 12 done · .*need attention/ }).waitFor()
  await tab.getByText('Stop it there before it writes.').first().waitFor()
  const [tally, steps, devices, images] = await Promise.all(
    ['#tally', '.step', '.device', '.image'].map((selector) => seen(tab, selector)),
  )
  expect(tally?.lowest).toBeLessThan(SCREEN.height / 6)
  // The worst three; the others are one click away.
  expect(steps?.count).toBe(3)
  await tab.getByRole('button', { name: /^\d+ more$/ }).waitFor()
  expect(steps?.lowest).toBeLessThan(SCREEN.height)
  expect(devices?.count).toBe(12)
  expect(devices?.lowest).toBeLessThanOrEqual(SCREEN.height)
  expect(devices?.highest, 'each row is one line high').toBeLessThan(28)
  expect(images?.count).toBe(6)
  expect(images?.lowest).toBeLessThanOrEqual(SCREEN.height)
  for (const each of [stalled, wrong]) each.breakOff()
})

test('of three hundred devices twenty rows and more stand on a screen, and each is found by text and by standing', async () => {
  const run = await pages.run()
  const evening = library(run, 300, 30)
  await evening.stage()
  await evening.pull(299)
  const tab = await pages.open(run, { viewport: SCREEN })
  await tab.getByRole('heading', { name: '1 of 300 done · 299 waiting' }).waitFor()
  const rows = await inPage<number>(
    tab,
    `[...document.querySelectorAll('.device')].filter((it) => it.getBoundingClientRect().bottom <= ${SCREEN.height}).length`,
  )
  expect(rows).toBeGreaterThanOrEqual(20)
  expect(await tab.locator('.device').count()).toBe(300)
  await tab.getByLabel('Find a device').fill('attic-')
  await expect.poll(() => tab.locator('.device').count()).toBeLessThan(40)
  await tab.getByLabel('Find a device').fill('')
  await tab.getByLabel(/^Show/).selectOption('pulled')
  await expect.poll(() => tab.locator('.device').count()).toBe(1)
  await tab
    .locator('.device')
    .getByText(evening.names[299] ?? '', { exact: true })
    .waitFor()
})

test('nothing shifts while bars move', async () => {
  const run = await pages.run({ settings: { stalledMs: 60_000 } })
  const evening = library(run, 12, 6)
  await evening.stage()
  const moving = [0, 3, 5].map((at) => evening.begin(at, 2_000_000))
  const tab = await pages.open(run, { viewport: SCREEN })
  await tab.getByRole('heading', { name: /3 pulling/ }).waitFor()
  // Drawn in parts on a busy machine: what counts is what moves once all of it stands.
  await inPage(
    tab,
    `new Promise((ready) => {
      window.shifts = []
      let quiet
      const stands = () => {
        clearTimeout(quiet)
        quiet = setTimeout(() => {
          window.shifts = []
          quiet = undefined
          ready()
        }, 1_000)
      }
      new PerformanceObserver((list) => {
        window.shifts.push(...list.getEntries().map(({ value }) => value))
        if (quiet !== undefined) stands()
      }).observe({ type: 'layout-shift', buffered: true })
      stands()
    })`,
  )
  const texts = new Set<string>()
  for (let drips = 0; drips < 10; drips += 1) {
    for (const each of moving) each.resume()
    await pause(1)
    for (const each of moving) each.pause()
    texts.add((await tab.locator('.board').textContent()) ?? '')
    await pause(250)
  }
  expect(texts.size, 'the rows changed meanwhile').toBeGreaterThan(3)
  expect(run.depot.livePulls(), 'none has come to its end').toHaveLength(3)
  // Figures that are set flush right move by a digit; a row that moves by its height is a hundred times that.
  const shifts = await inPage<number[]>(tab, 'window.shifts')
  expect(shifts.reduce((sum, shift) => sum + shift, 0)).toBeLessThan(0.0005)
  for (const each of moving) each.breakOff()
})
