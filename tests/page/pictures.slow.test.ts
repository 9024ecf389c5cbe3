/** Pictures of the page as it is in the middle of a visit; the README shows two of them. */
import { mkdir, mkdtemp, realpath, rm, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { gzipSync } from 'node:zlib'
import type { Browser } from 'playwright-core'
import { afterAll, beforeAll, expect, test } from 'vitest'
import type { Depot } from '../../server/depot/depot.ts'
import { device, noise, type Running, startRunning } from '../bench/running.ts'
import { needs } from '../needs.ts'
import { builtPage, openBrowser } from './browser.ts'

const SHOTS = fileURLToPath(new URL('./shots', import.meta.url))
const elsewhere = process.env.FETCHPROOF_PICTURES

let browser: Browser
let page: Awaited<ReturnType<typeof builtPage>>
let run: Running
let parent: string

beforeAll(async () => {
  page = await builtPage()
  browser = await openBrowser()
  parent = await realpath(await mkdtemp(join(tmpdir(), 'pictures-')))
  const folder = join(parent, 'library-visit')
  await mkdir(folder)
  await writeFile(join(folder, 'desk-phone_5.11.bin'), gzipSync(noise(900_000, 2)))
  run = await startRunning({
    folder,
    settings: { settleUnsureMs: 60, stalledMs: 800 },
    shown: atLibrary,
    bench: { pageFolder: page.folder },
  })
})

afterAll(async () => {
  await browser.close()
  await run.close()
  await page.remove()
  await rm(parent, { recursive: true, force: true })
})

async function picture(
  colorScheme: 'light' | 'dark',
  viewport: { width: number; height: number },
  name: string,
  at?: string,
): Promise<void> {
  const context = await browser.newContext({ viewport, colorScheme, reducedMotion: 'reduce' })
  const tab = await context.newPage()
  await tab.goto(`${run.page}/#token=${run.token}`)
  await tab.getByText('stalled: nothing has moved').first().waitFor()
  if (at !== undefined) await tab.getByRole('heading', { name: at }).evaluate((it) => it.scrollIntoView())
  await tab.screenshot({ path: join(elsewhere ?? SHOTS, name) })
  await context.close()
}

/** As it would be read at an invented library: documentation addresses in place of loopback's. */
function atLibrary(depot: Depot): Depot {
  const rename = <T extends { client: { address: string } }>(record: T): T => ({
    ...record,
    client: { ...record.client, address: record.client.address.replace('127.0.0.', '192.0.2.10') },
  })
  return {
    ...depot,
    settings: { ...depot.settings, folder: '/home/engineer/library-visit' },
    pulls: { ...depot.pulls, pulls: () => depot.pulls.pulls().map(rename) },
    livePulls: () => depot.livePulls().map(rename),
    recentFetches: () => depot.recentFetches().map(rename),
  }
}

test('the page in the middle of a visit, wide and narrow, in light and dark', needs('chromium'), async () => {
  await run.stage('reading-room-switch_4.2.1.img', noise(48 * 1024 * 1024, 3))
  await run.stage('returns-desk-scanner.bin', '')
  await run.stage('stack-door-controller_2.0.hex', noise(300_000, 4))
  const path = '/reading-room-switch_4.2.1.img'
  const port = run.imagePort
  const done = device({ port, path: '/desk-phone_5.11.bin', from: '127.0.0.2' })
  await done.finish()
  const cut = device({ port, path, from: '127.0.0.3', pauseAt: 6_000_000 })
  await cut.has(6_000_000)
  cut.breakOff()
  const stalled = device({ port, path, from: '127.0.0.4', pauseAt: 11_000_000 })
  await stalled.has(11_000_000)
  const refused = device({ port, path: '/reading-room-switch.img', from: '127.0.0.6' })
  await refused.finish()
  const slow = device({ port, path, from: '127.0.0.5', pauseAt: 20_000_000 })
  const dripping = setInterval(() => {
    slow.socket.resume()
    setTimeout(() => slow.socket.pause(), 2)
  }, 100)
  await mkdir(SHOTS, { recursive: true })
  await picture('light', { width: 1120, height: 1460 }, 'wide-light.png')
  await picture('dark', { width: 380, height: 820 }, 'narrow-dark.png', 'Pulls under way')
  // To look at the rest, name a folder.
  for (const scheme of elsewhere === undefined ? [] : (['light', 'dark'] as const)) {
    for (const width of [1280, 380]) {
      const name = `${width}-${scheme}.png`
      await picture(scheme, { width, height: width === 380 ? 4300 : 2400 }, name)
    }
  }
  clearInterval(dripping)
  for (const each of [stalled, slow]) each.breakOff()
  expect(run.depot.pulls.pulls().length).toBeGreaterThanOrEqual(3)
})
