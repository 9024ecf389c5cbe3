import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { defineConfig } from 'vitest/config'

const state = mkdtempSync(join(tmpdir(), 'fetchproof-state-'))
process.on('exit', () => rmSync(state, { recursive: true, force: true }))

const SLOW = ['tests/**/*.slow.test.ts']
const ROOMS = [
  'bench',
  'commands',
  'delivery',
  'files',
  'image-port',
  'ledger',
  'report',
  'visit',
  'wording',
].map((room) => `tests/${room}/**/*.test.ts`)
const bundled = fileURLToPath(new URL('../dist/bundled/', import.meta.url))

export default defineConfig({
  root: fileURLToPath(new URL('..', import.meta.url)),
  // As the built program has it: each test file would load 700 modules one by one.
  resolve: {
    alias: [
      { find: /^typebox$/, replacement: `${bundled}typebox/index.js` },
      { find: /^typebox\/(.*)$/, replacement: `${bundled}typebox/$1.js` },
    ],
  },
  test: {
    testTimeout: 30_000,
    hookTimeout: 30_000,
    maxWorkers: 2,
    server: { deps: { external: [/dist\/bundled/] } },
    // Tokens of the tests' folders are nothing to the user who runs them.
    env: { XDG_STATE_HOME: state },
    setupFiles: ['tests/process-warnings.ts'],
    reporters: ['default', './tests/skipped-reporter.ts'],
    dangerouslyIgnoreUnhandledErrors: false,
    projects: [
      // Files of these rooms leave nothing behind and put no module in the place of another: they share processes.
      { extends: true, test: { name: 'rooms', isolate: false, include: ROOMS, exclude: SLOW } },
      {
        extends: true,
        test: { name: 'whole', include: ['tests/**/*.test.ts'], exclude: [...ROOMS, ...SLOW] },
      },
    ],
  },
})
