/** The page for everybody: by keyboard, narrow, dark, by the rules of WCAG, and with hostile text in it. */
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import axe from 'axe-core'
import type { Page } from 'playwright-core'
import { expect, test } from 'vitest'
import { device, noise, type Running } from '../bench/running.ts'
import { needs } from '../needs.ts'
import { clipboard, inPage, openImage, usePages } from './browser.ts'

const pages = usePages()

interface Violation {
  readonly id: string
  readonly nodes: readonly { readonly html: string; readonly failureSummary?: string }[]
}

/** axe-core's rules for WCAG 2.2 A and AA, run in the page's own document. */
async function violations(tab: Page): Promise<string[]> {
  await tab.evaluate(axe.source)
  const tags = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']
  const options = JSON.stringify({ runOnly: { type: 'tag', values: tags } })
  const found = await inPage<Violation[]>(
    tab,
    `axe.run(document, ${options}).then(({ violations }) => violations)`,
  )
  return found.map(({ id, nodes }) => `${id}: ${nodes[0]?.html} ${nodes[0]?.failureSummary ?? ''}`)
}

/** Everything at once: held, ready, stalled, complete, cut, refused, the wrong image. */
async function busy(run: Running, tab: Page): Promise<void> {
  await run.stage('empty.bin', '')
  await run.stage('a-desk-switch-with-quite-a-long-name_4.2.1-build-20260302-release.bin', noise(12_000_000))
  await writeFile(join(run.folder, 'visit.csv'), 'device,address,image\nhall,127.0.0.4,hall.bin\n')
  const path = run.depot.catalogue.images()[0]?.plainPath ?? ''
  const port = run.imagePort
  await device({ port, path, from: '127.0.0.2' }).finish()
  const cut = device({ port, path, from: '127.0.0.3', pauseAt: 1_000_000 })
  await cut.has(1_000_000)
  cut.breakOff()
  device({ port, path, from: '127.0.0.4', pauseAt: 1_000_000 })
  await device({ port, path: '/none.bin', from: '127.0.0.5' }).finish()
  await tab.getByText('Stop it there before it writes.').waitFor()
  await tab.getByText('incomplete', { exact: true }).waitFor()
  await expect.poll(() => run.depot.livePulls()[0]?.movement).toBe('stalled')
}

test('light and dark, wide and narrow: no violation of WCAG 2.2 AA, nothing wider than the window', {
  timeout: 120_000,
}, async () => {
  const run = await pages.run()
  const tab = await pages.open(run)
  const looks = (['light', 'dark'] as const).flatMap((colorScheme) =>
    [1280, 380].map((width) => ({ colorScheme, width })),
  )
  const inEachLook = async (): Promise<void> => {
    for (const { colorScheme, width } of looks) {
      await tab.emulateMedia({ colorScheme })
      await tab.setViewportSize({ width, height: 800 })
      expect(await violations(tab), `${colorScheme}, ${width} px`).toEqual([])
      const overflow = await inPage<number>(tab, 'document.documentElement.scrollWidth - window.innerWidth')
      expect(overflow, `${colorScheme}, ${width} px`).toBeLessThanOrEqual(0)
    }
  }
  await inEachLook()
  await busy(run, tab)
  for (const summary of await tab.locator('summary').all()) await summary.click()
  for (const name of await tab.locator('button.name').all()) await name.click()
  await tab.getByRole('button', { name: 'lift the hold (empty.bin)' }).click()
  await tab.getByRole('button', { name: 'Lift the hold', exact: true }).click()
  await inEachLook()
})

test('dark is dark and light is light', async () => {
  const run = await pages.run()
  const lightness = async (colorScheme: 'light' | 'dark'): Promise<number> => {
    const tab = await pages.open(run, { colorScheme })
    const colour = await inPage<string>(tab, 'getComputedStyle(document.body).backgroundColor')
    return Number(/\d+/.exec(colour)?.[0])
  }
  expect(await lightness('light')).toBeGreaterThan(200)
  expect(await lightness('dark')).toBeLessThan(50)
})

test('a hold is lifted and a line copied with the keyboard alone', async () => {
  const run = await pages.run()
  await run.stage('empty.bin', '')
  const tab = await pages.open(run, { permissions: ['clipboard-read', 'clipboard-write'] })
  const row = tab.getByRole('listitem', { name: 'empty.bin' })
  const focused = (): Promise<string> =>
    inPage(
      tab,
      "document.activeElement.getAttribute('aria-label') ?? document.activeElement.textContent ?? ''",
    )
  const tabTo = async (name: string): Promise<void> => {
    for (let presses = 0; presses < 60; presses += 1) {
      await tab.keyboard.press('Tab')
      if ((await focused()) !== name) continue
      const seen = await inPage(tab, "getComputedStyle(document.activeElement).outlineStyle !== 'none'")
      expect(seen, `the focus on "${name}" can be seen`).toBe(true)
      return
    }
    throw new Error(`"${name}" is not reached with the Tab key`)
  }
  await row.waitFor()
  await tabTo('Go to the images')
  await tabTo('empty.bin')
  await tab.keyboard.press('Enter')
  await tabTo('lift the hold (empty.bin)')
  await tab.keyboard.press('Enter')
  await tab.getByLabel('Why may this image be served all the same?').and(tab.locator(':focus')).waitFor()
  await tab.keyboard.press('Escape')
  expect(await focused()).toBe('lift the hold (empty.bin)')
  await tab.keyboard.press('Enter')
  await tab.locator('textarea:focus').waitFor()
  await tab.keyboard.type('a marker file')
  await tabTo('Lift the hold')
  await tab.keyboard.press('Enter')
  await row.getByText('lifted', { exact: true }).waitFor()
  await tabTo('copy the line for empty.bin')
  await tab.keyboard.press('Space')
  await expect.poll(() => clipboard(tab)).toBe('http://192.0.2.10:8080/empty.bin')
})

test('what somebody types stays while news comes in', async () => {
  const run = await pages.run()
  await run.stage('empty.bin', '')
  const tab = await pages.open(run)
  await openImage(tab, 'empty.bin')
  await tab.getByRole('button', { name: 'lift the hold (empty.bin)' }).click()
  const why = tab.getByLabel('Why may this image be served all the same?')
  await why.fill('half a sent')
  await run.stage('another.bin', noise(5000))
  await tab.getByRole('listitem', { name: 'another.bin' }).waitFor()
  await device({ port: run.imagePort, path: '/another.bin' }).finish()
  await tab.getByText('complete', { exact: true }).waitFor()
  expect(await why.inputValue()).toBe('half a sent')
  expect(await why.and(tab.locator(':focus')).count()).toBe(1)
})

// Windows lets no file have such a name.
test('hostile names and user agents are text, whatever is in them', needs('POSIX'), async () => {
  const run = await pages.run()
  const names = [
    '<img src=x onerror=document.title=1>.bin',
    '"><script>document.title=2.bin',
    'desk\u202enib.exe',
    'desk\u0007\u001b[31m.bin',
    '__proto__',
    'constructor',
  ]
  for (const [at, name] of names.entries()) await run.stage(name, noise(4000, at + 1))
  const tab = await pages.open(run)
  await expect.poll(() => tab.locator('.images > li').count()).toBe(names.length)
  await tab.getByRole('button', { name: '<img src=x onerror=document.title=1>.bin', exact: true }).waitFor()
  await tab.getByRole('button', { name: 'desk\\u{202e}nib.exe', exact: true }).waitFor()
  await tab.getByRole('button', { name: 'desk\\x07\\x1b[31m.bin', exact: true }).waitFor()
  const agent = 'User-Agent: <svg onload=document.title=3>\u00c2\u009b'
  await device({
    port: run.imagePort,
    path: '/<iframe/src=javascript:document.title=4>',
    fields: [agent],
  }).finish()
  await tab.getByText('<svg onload=document.title=3>').waitFor()
  await tab.getByText('/<iframe/src=javascript:document.title=4>').waitFor()
  expect(await tab.locator('main').locator('img, script, svg:not(.shape), iframe').count()).toBe(0)
  expect(await tab.title()).toBe('Fetchproof')
})

test('the page runs nothing that was not served with it, and styles nothing inline', async () => {
  const run = await pages.run()
  const tab = await pages.open(run, { mayComplain: /Content Security Policy|requires 'Trusted/ })
  const attempts = [
    "const it = document.createElement('script'); it.setAttribute('src', 'data:text/javascript,document.title=5'); document.body.append(it)",
    "document.body.setAttribute('onclick', 'document.title=6'); document.body.click()",
    "document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=document.title=7>')",
    "const sheet = document.createElement('style'); sheet.textContent = 'main { display: none }'; document.head.append(sheet)",
  ]
  for (const attempt of attempts) await inPage(tab, `{ try { ${attempt} } catch {} }`)
  const ran = await inPage(tab, "document.querySelectorAll('main [style], main [onclick]').length")
  expect(ran).toBe(0)
  await tab.getByRole('heading', { name: 'Images' }).click()
  expect(await tab.title()).toBe('Fetchproof')
})

const LONG_NAME = 'reading-room-switch_4.2.1-build-20260302-release-candidate-for-the-upper-floor.bin'

test('in a narrow window a wrong image ran out of its row, and in a wide one its note was squeezed', async () => {
  const run = await pages.run()
  await run.stage(LONG_NAME, noise(20_000))
  const note = 'behind the returns desk, ask for the key at the counter before nine in the evening'
  await writeFile(
    join(run.folder, 'visit.csv'),
    `device,address,image,note\ndesk,127.0.0.2,hall-switch_4.4.0.bin,"${note}"\n`,
  )
  const tab = await pages.open(run)
  const row = tab.getByRole('list', { name: 'Devices' }).getByRole('listitem')
  await row.getByRole('button', { name: 'desk: details' }).click()
  await device({ port: run.imagePort, path: `/${LONG_NAME}`, from: '127.0.0.2' }).finish()
  await row.getByText('wrong image', { exact: true }).first().waitFor()
  await row.getByText('It fetched reading-room').waitFor()
  const widthOf = async (text: string): Promise<{ x: number; width: number }> =>
    (await row.getByText(text).first().boundingBox()) ?? { x: 0, width: 0 }
  await tab.setViewportSize({ width: 360, height: 800 })
  const stamp = await widthOf('It fetched reading-room')
  expect(stamp.x + stamp.width).toBeLessThanOrEqual(360)
  expect(await inPage(tab, 'document.documentElement.scrollWidth')).toBeLessThanOrEqual(360)
  await tab.setViewportSize({ width: 1280, height: 800 })
  expect((await widthOf(note)).width).toBeGreaterThan(400)
})

/** Colours of a picture along its middle, at a tenth and at nine tenths of its width: its border lies further out. */
async function coloursOf(tab: Page, picture: Buffer): Promise<string[]> {
  const canvas = await tab.context().newPage()
  const colours = await inPage<string[]>(
    canvas,
    `(async () => {
      const bytes = Uint8Array.from(atob('${picture.toString('base64')}'), (each) => each.charCodeAt(0))
      const bitmap = await createImageBitmap(new Blob([bytes], { type: 'image/png' }))
      const paper = new OffscreenCanvas(bitmap.width, bitmap.height).getContext('2d')
      paper.drawImage(bitmap, 0, 0)
      const at = (share) => paper.getImageData(Math.floor(bitmap.width * share), Math.floor(bitmap.height / 2), 1, 1)
      return [0.1, 0.9].map((share) => at(share).data.join())
    })()`,
  )
  await canvas.close()
  return colours
}

test('how far a pull has come could not be seen in forced colours, nor on paper', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(24_000_000))
  const tab = await pages.open(run)
  const stalled = device({ port: run.imagePort, path: '/desk.bin', pauseAt: 2_000_000 })
  await tab.getByText(/^stalled [\d.]+ s$/).waitFor()
  const bar = tab.getByRole('progressbar')
  await tab.emulateMedia({ forcedColors: 'active' })
  const [filled, rest] = await coloursOf(tab, await bar.screenshot())
  expect(filled).not.toBe(rest)
  await tab.emulateMedia({ forcedColors: 'none', media: 'print' })
  expect(await inPage(tab, "getComputedStyle(document.querySelector('progress')).printColorAdjust")).toBe(
    'exact',
  )
  stalled.breakOff()
})
