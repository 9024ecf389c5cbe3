/** What the fresh machine says, and what `.ci/run` insists on: a run of its own over tests that lack a program. */
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, onTestFinished, test } from 'vitest'
import { type Outcome, run } from './clients/program.ts'

const ROOT = fileURLToPath(new URL('..', import.meta.url))
const VITEST = join(ROOT, 'node_modules', 'vitest', 'vitest.mjs')

/** Runs these tests where PATH leads nowhere; within the project's folder, since they import from it. */
function runOf(tests: string, env: NodeJS.ProcessEnv = {}): Promise<Outcome> {
  const parent = join(ROOT, 'node_modules', '.cache')
  mkdirSync(parent, { recursive: true })
  const folder = mkdtempSync(join(parent, 'skipped-'))
  onTestFinished(() => rmSync(folder, { recursive: true }))
  const reporters = ['default', join(ROOT, 'tests', 'skipped-reporter.ts')]
  const config = { root: folder, test: { include: ['*.test.ts'], exclude: [], reporters } }
  writeFileSync(join(folder, 'vitest.config.mjs'), `export default ${JSON.stringify(config)}\n`)
  const imports = `import { describe, expect, test } from 'vitest'
import { allNeed, needs } from '${join(ROOT, 'tests', 'needs.ts')}'\n`
  writeFileSync(join(folder, 'some.test.ts'), imports + tests)
  const { FETCHPROOF_SKIP_NOTHING: _set, ...own } = process.env
  return run(process.execPath, [VITEST, 'run', '--config', join(folder, 'vitest.config.mjs')], {
    cwd: folder,
    env: { ...own, PATH: folder, CHROMIUM: '/nowhere', ...env },
    timeoutMs: 25_000,
  })
}

const WITHOUT_TOOLS = `
test('runs', () => {})
test('packs', needs('xz'), () => expect.fail('ran'))
describe('a group', needs('curl', 'xz'), () => test('in it', () => expect.fail('ran')))
describe('a group with hooks', () => {
  const isHere = allNeed('chromium')
  test('knows', () => expect.fail(String(isHere)))
})
`

test('what lacks a program is skipped, and one line says for want of what and which packages bring it', async () => {
  const { status, stdout } = await runOf(WITHOUT_TOOLS)
  expect(status, stdout).toBe(0)
  expect(stdout.match(/tests were skipped.*/g)).toEqual([
    'tests were skipped for want of chromium, curl, xz. To run them: apt-get install chromium curl xz-utils.',
  ])
  expect(stdout).toContain('3 tests were skipped')
})

test('with FETCHPROOF_SKIP_NOTHING a skipped test fails the run and is named', async () => {
  const { status, stderr } = await runOf(WITHOUT_TOOLS, { FETCHPROOF_SKIP_NOTHING: '1' })
  expect(status).toBe(1)
  expect(stderr).toMatch(/forbids: .*some\.test\.ts: packs/)
})

test('where nothing is skipped, nothing is said, and FETCHPROOF_SKIP_NOTHING passes', async () => {
  const { status, stdout } = await runOf("test('runs', () => {})", { FETCHPROOF_SKIP_NOTHING: '1' })
  expect(status, stdout).toBe(0)
  expect(stdout).not.toContain('were skipped')
})
