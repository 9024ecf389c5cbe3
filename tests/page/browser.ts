/** The built page in a real browser. */
import { mkdtemp, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import preact from '@preact/preset-vite'
import { type Browser, chromium } from 'playwright-core'
import { build } from 'vite'

const CHROMIUM = process.env.CHROMIUM ?? '/usr/bin/chromium'

export function openBrowser(): Promise<Browser> {
  return chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox'] })
}

/** Builds the page as the program's build does, into a folder of its own. */
export async function builtPage(): Promise<{ folder: string; remove(): Promise<void> }> {
  const folder = await mkdtemp(join(tmpdir(), 'bench-page-'))
  await build({
    root: fileURLToPath(new URL('../../server/bench/page', import.meta.url)),
    configFile: false,
    logLevel: 'warn',
    plugins: [preact()],
    base: './',
    build: { outDir: folder, emptyOutDir: true, modulePreload: { polyfill: false } },
  })
  return { folder, remove: () => rm(folder, { recursive: true, force: true }) }
}
