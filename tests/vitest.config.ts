import { mkdtempSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { defineConfig } from 'vitest/config'

const state = mkdtempSync(join(tmpdir(), 'fetchproof-state-'))
process.on('exit', () => rmSync(state, { recursive: true, force: true }))

export default defineConfig({
  root: fileURLToPath(new URL('..', import.meta.url)),
  test: {
    include: ['tests/**/*.test.ts'],
    exclude: ['tests/**/*.slow.test.ts'],
    testTimeout: 30_000,
    hookTimeout: 30_000,
    maxWorkers: 2,
    // Tokens of the tests' folders are nothing to the user who runs them.
    env: { XDG_STATE_HOME: state },
    setupFiles: ['tests/process-warnings.ts'],
    reporters: ['default', './tests/skipped-reporter.ts'],
    dangerouslyIgnoreUnhandledErrors: false,
  },
})
