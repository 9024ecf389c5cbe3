/** The built page in a real browser. */
import { fileURLToPath } from 'node:url'
import { type Browser, type BrowserContextOptions, chromium, type Page } from 'playwright-core'
import { afterAll, beforeAll, expect, onTestFinished, vi } from 'vitest'
import { type Running, type RunningOptions, startRunning } from '../bench/running.ts'
import { allNeed, CHROMIUM } from '../needs.ts'

export function openBrowser(): Promise<Browser> {
  return chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox'] })
}

/** The page as the program's build made it. */
const PAGE = fileURLToPath(new URL('../../dist/server/bench/page', import.meta.url))

/** Evaluated in the page's own document; text, since these sources know no DOM. */
export function inPage<T>(tab: Page, expression: string): Promise<T> {
  return tab.evaluate<T>(expression)
}

/** Unfolds an image's row. */
export const openImage = (tab: Page, name: string): Promise<void> =>
  tab.getByRole('listitem', { name }).getByRole('button', { name, exact: true }).click()

export const clipboard = (tab: Page): Promise<string> => inPage(tab, 'navigator.clipboard.readText()')

export interface TabOptions extends BrowserContextOptions {
  /** Opened without the token. */
  readonly readOnly?: boolean
  /** What the browser may complain of: the server is stopped in the test. */
  readonly mayComplain?: RegExp
  /** Script that runs before those of the page. */
  readonly before?: string
}

export interface Pages {
  /** A run that serves the built page, closed when the test has ended. */
  run(options?: RunningOptions): Promise<Running>
  /** The page of a run, live; any complaint of the browser fails the test. */
  open(run: Running, options?: TabOptions): Promise<Page>
}

/** Call once in a test file: one browser for all of its tests. */
export function usePages(): Pages {
  let browser: Browser
  // A browser starts slowly on a machine that has other work.
  vi.setConfig({ testTimeout: 90_000, hookTimeout: 90_000 })

  if (allNeed('chromium')) {
    beforeAll(async () => {
      browser = await openBrowser()
    })
    afterAll(async () => {
      await browser.close()
    })
  }

  return {
    async run(options = {}) {
      const run = await startRunning({ ...options, bench: { pageFolder: PAGE, ...options.bench } })
      onTestFinished(() => run.close())
      return run
    },
    async open(run, { readOnly = false, mayComplain, before, ...context } = {}) {
      const opened = await browser.newContext({ reducedMotion: 'reduce', ...context })
      if (before !== undefined) await opened.addInitScript(before)
      const complaints: string[] = []
      const tab = await opened.newPage()
      tab.on('console', (message) => {
        if (['error', 'warning'].includes(message.type())) complaints.push(message.text())
      })
      tab.on('pageerror', (error) => complaints.push(String(error)))
      onTestFinished(async () => {
        await opened.close()
        expect(complaints.filter((complaint) => mayComplain?.test(complaint) !== true)).toEqual([])
      })
      await tab.goto(`${run.page}/${readOnly ? '' : `#token=${run.token}`}`)
      await tab.getByRole('heading', { name: 'Images' }).waitFor()
      return tab
    },
  }
}
