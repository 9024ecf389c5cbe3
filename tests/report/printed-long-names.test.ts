/** The record where names are longer than a line: on paper of several sizes, and in a narrow window. */
import type { Browser, Page } from 'playwright-core'
import { afterAll, beforeAll, expect, onTestFinished, test, vi } from 'vitest'
import { visitHtml } from '../../server/report/visit-html.ts'
import { allNeed } from '../needs.ts'
import { inPage, openBrowser } from '../page/browser.ts'
import { image, type Story, story } from '../visit/visit-story.ts'
import { reportOf, sheetOf } from './told-visit.ts'

const LONG = image(`${'Hollow_Lane_Core_Switch_Long_Term_Support_'.repeat(4)}4.4.bin`, '5', 9_000_000)
const CASED = image('Reading-Room-4.4.bin', '4')
const DESK = { address: '192.0.2.10', mac: '00:00:5e:00:53:0a' }
const STRANGER = { address: '2001:db8:1234:5678:9abc:def0:1234:5678', mac: '00:00:5e:00:53:99' }

function longVisit(): Story {
  const long = { address: DESK.address, mac: DESK.mac, version_before: '4.0.1-long-term-support-build-7' }
  return story()
    .add(
      sheetOf(
        { device: 'desk', ...long, image: LONG.name },
        { device: 'desk', ...long, image: CASED.name },
        { device: 'x'.repeat(80), address: '192.0.2.11', image: CASED.name, room: 'y'.repeat(90) },
      ),
    )
    .pull(DESK, LONG)
    .pull({ address: '192.0.2.11' }, LONG)
    .pull(STRANGER, CASED)
    .refuse(STRANGER, LONG, 'z'.repeat(120))
    .add({ kind: 'observed', device: 'w'.repeat(90), by: 'me', note: 'v'.repeat(90) })
}

let browser: Browser
vi.setConfig({ testTimeout: 60_000, hookTimeout: 60_000 })

const browserIsHere = allNeed('chromium')
beforeAll(async () => {
  if (!browserIsHere) return
  browser = await openBrowser()
})
afterAll(() => browser?.close())

async function opened(): Promise<Page> {
  const page = await browser.newPage()
  onTestFinished(() => page.close())
  await page.setContent(visitHtml(await reportOf(longVisit())))
  return page
}

/** In CSS pixels: a phone, then A5, A4 and Letter less 15 mm on both sides (ISO 216, ANSI Y14.1; 96 px are 1 in). */
test.each([
  ['screen', 380],
  ['print', 446],
  ['print', 680],
  ['print', 702],
] as const)('no long name reaches over the edge: %s, %i px wide', async (media, width) => {
  const page = await opened()
  await page.emulateMedia({ media })
  await page.setViewportSize({ width, height: 1000 })
  const outside = `[...document.body.querySelectorAll('*')].filter((each) => {
    const { right, width } = each.getBoundingClientRect()
    return width > 0 && right > ${width} + 0.5
  }).map((each) => each.outerHTML.slice(0, 90))`
  expect(await inPage(page, outside)).toEqual([])
})

test('names keep their letter case in lines of capitals', async () => {
  const shown = await inPage<string[]>(
    await opened(),
    `[...document.querySelectorAll('.step .label')].map((each) => each.innerText)`,
  )
  expect(shown).toContain(`STEP 1 OF 2: PLANNED ${LONG.name}`)
  expect(shown).toContain(`PLANNED ${CASED.name}`)
  expect(shown).toContain(`NOT PLANNED FOR THIS DEVICE: ${LONG.name}`)
})

test('frames end within the paper: a line on its edge is not printed', async () => {
  const page = await opened()
  await page.emulateMedia({ media: 'print' })
  await page.setViewportSize({ width: 680, height: 1000 })
  const right = `Math.max(...[...document.querySelectorAll('.grid, .card, .outcome')].map((each) => {
    const { outlineWidth, outlineOffset } = getComputedStyle(each)
    const around = each.className === 'outcome' ? parseFloat(outlineWidth) + parseFloat(outlineOffset) : 0
    return each.getBoundingClientRect().right + around
  }))`
  expect(await inPage<number>(page, right)).toBeLessThan(679.5)
})
