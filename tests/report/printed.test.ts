/** The record as it comes out of a printer: a rich visit, printed by a browser on A4 and on Letter. */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import type { Browser, Page } from 'playwright-core'
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest'
import { visitFacts } from '../../server/report/visit-facts.ts'
import { visitHtml } from '../../server/report/visit-html.ts'
import { run } from '../clients/program.ts'
import { sealed, writeLines } from '../ledger/records-folder.ts'
import { allNeed, needs } from '../needs.ts'
import { inPage, openBrowser } from '../page/browser.ts'
import { DEVICES, richVisit } from './rich-visit.ts'
import { reportOn, untold } from './told-visit.ts'

/** Widths of ISO 216 A4 and of US Letter (ANSI Y14.1 A), less 15 mm on both sides. */
const PAPERS = [
  { format: 'A4', printableMm: 210 - 30 },
  { format: 'Letter', printableMm: 215.9 - 30 },
] as const
/** CSS Values and Units 4, §6.2: 96 px are 1 in. */
const PX_PER_MM = 96 / 25.4

let browser: Browser
let page: Page
const folder = mkdtempSync(join(tmpdir(), 'fetchproof-printed-'))
// A browser starts slowly on a machine that has other work.
vi.setConfig({ testTimeout: 60_000, hookTimeout: 60_000 })

const browserIsHere = allNeed('chromium')
beforeAll(async () => {
  if (!browserIsHere) return
  const made = reportOn(await visitFacts([writeLines(folder, sealed(untold(richVisit())))]))
  browser = await openBrowser()
  page = await browser.newPage()
  await page.setContent(visitHtml(made))
  await page.emulateMedia({ media: 'print' })
})

afterAll(async () => {
  await browser?.close()
  rmSync(folder, { recursive: true, force: true })
})

/** Text of each page of the PDF, in the order in which it was set. */
async function pagesOf(format: 'A4' | 'Letter'): Promise<string[]> {
  const file = join(folder, `${format}.pdf`)
  writeFileSync(file, await page.pdf({ format, preferCSSPageSize: true }))
  const { status, stdout, stderr } = await run('pdftotext', ['-raw', file, '-'])
  expect({ status, stderr }).toEqual({ status: 0, stderr: '' })
  return stdout.split('\f').slice(0, -1)
}

const solid = (text: string): string => text.replace(/\s/g, '')

describe.each(PAPERS)('on $format', ({ format, printableMm }) => {
  test('nothing is wider than the paper, and no word of a standing is broken', async () => {
    const width = Math.floor(printableMm * PX_PER_MM)
    await page.setViewportSize({ width, height: 1000 })
    const outside = `[...document.body.querySelectorAll('*')].filter((each) => {
      const { left, right, width } = each.getBoundingClientRect()
      return width > 0 && (right > ${width} + 0.5 || left < -0.5)
    }).map((each) => each.outerHTML.slice(0, 120))`
    expect(await inPage(page, outside)).toEqual([])
    const broken = `[...document.querySelectorAll('td .tag')].filter((each) =>
      !each.textContent.includes(' ') && each.getClientRects()[0].height > 24).map((each) => each.textContent)`
    expect(await inPage(page, broken)).toEqual([])
  })

  test('every device is there, nothing is cut off from what it belongs to', needs('pdftotext'), async () => {
    const pages = await pagesOf(format)
    expect(pages.length).toBeGreaterThan(8)
    expect(pages.length).toBeLessThan(22)
    pages.forEach((text, at) => {
      expect(text.split('\n')[0]).toBe(`${at + 1} / ${pages.length}`)
    })
    const all = solid(pages.join(''))
    for (const device of DEVICES) expect(all).toContain(device)
    // The table of devices goes over several pages, each with its head.
    const heads = pages.filter((text) => /DEVICE PLANNED IMAGE STANDING/.test(text))
    expect(heads.length).toBeGreaterThan(1)
    expect(pages[1]).toMatch(/^2 .*\nDEVICE PLANNED IMAGE STANDING/)
    // No heading, and no key of the drawings, is the last on its page.
    for (const text of pages) {
      const last = text.trimEnd().split('\n').at(-1) ?? ''
      expect(last).not.toMatch(/^\d+ [A-Z]|image not planned|device dark$/)
    }
    expect(pages[0]).toMatch(/\d+\s+done\s[\s\S]*\d+\s+contradicted\s[\s\S]*\d+\s+open\s/)
    expect(pages.at(-1)).toMatch(/What each standing means/)
    const signed = pages.filter((text) => text.includes('For the engineer'))
    expect(signed).toHaveLength(1)
    expect(signed[0]).toContain('For the customer')
    expect(signed[0]?.match(/PLACE, DATE, SIGNATURE/g)).toHaveLength(2)
  })

  test('the card of a device is on one page', needs('pdftotext'), async () => {
    const pages = (await pagesOf(format)).map(solid)
    for (const device of DEVICES.filter((_device, at) => at % 8 === 0)) {
      const [first, last] = ['Step1of2:planned', 'Step2of2:planned'].map((step) => step.toUpperCase())
      const own = pages.filter((text) => text.includes(`${device}invented`))
      expect(own, device).toHaveLength(1)
      const card = own[0]?.slice(own[0].indexOf(`${device}invented`)) ?? ''
      expect(card).toContain(first)
      expect(card).toContain(last)
    }
  })
})

test('heads of tables are repeated, rows and signatures stay whole', async () => {
  const style = (selector: string, property: string): Promise<string[]> =>
    inPage(
      page,
      `[...new Set([...document.querySelectorAll(${JSON.stringify(selector)})].map((each) => getComputedStyle(each)[${JSON.stringify(property)}]))]`,
    )
  expect(await style('thead', 'display')).toEqual(['table-header-group'])
  for (const whole of ['tr', 'tbody.pair', '.card', '.timeline', '.keys', '.cautions', '.signatures']) {
    expect(await style(whole, 'breakInside'), whole).toEqual(['avoid'])
  }
  for (const led of ['h2', '.keys']) expect(await style(led, 'breakAfter'), led).toEqual(['avoid'])
})
