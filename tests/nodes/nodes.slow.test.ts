/**
 * The server's tests under each Node.js that the program is for. The lingering close rests on what the HTTP server
 * does without documenting it (allowHalfOpen, destroySoon), and child servers run under the same Node.js as the test.
 * The binaries come from npm's packages of them, into a folder of their own.
 */
import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { arch, platform, tmpdir } from 'node:os'
import { delimiter, dirname, join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, onTestFinished, test } from 'vitest'
import { run } from '../clients/program.ts'

const MAJORS = [20, 22, 24]
/** What depends on sockets, files, threads and processes. */
const ROOMS = [
  'image-port',
  'delivery',
  'ledger',
  'network',
  'staging/digests',
  'clients',
  'attacks',
  'truth',
]
const ROOT = fileURLToPath(new URL('../..', import.meta.url))
const VITEST = join(ROOT, 'node_modules', 'vitest', 'vitest.mjs')
const MINUTE_MS = 60_000

interface Counts {
  readonly numTotalTests: number
  readonly numPassedTests: number
  readonly numFailedTests: number
  readonly testResults: readonly {
    readonly name: string
    readonly message: string
    readonly assertionResults: readonly { readonly fullName: string; readonly status: string }[]
  }[]
}

test.each(MAJORS)(
  'the server passes its tests under Node.js %d',
  { timeout: 40 * MINUTE_MS },
  async (major) => {
    const folder = mkdtempSync(join(tmpdir(), 'fetchproof-node-'))
    onTestFinished(() => rmSync(folder, { recursive: true, force: true, maxRetries: 3 }))
    const node = await install(major, folder)
    const version = await run(node, ['--version'])
    expect(version.stdout).toMatch(new RegExp(`^v${major}\\.`))

    const results = join(folder, 'results.json')
    const filters = ROOMS.map((room) => `tests/${room}`)
    const options = ['--config', 'tests/vitest.config.ts', '--reporter', 'json', '--outputFile', results]
    const env = { ...process.env, PATH: `${dirname(node)}${delimiter}${process.env.PATH ?? ''}` }
    const outcome = await run(node, [VITEST, 'run', ...options, ...filters], {
      cwd: ROOT,
      env,
      timeoutMs: 38 * MINUTE_MS,
    })
    if (outcome.status === null) throw new Error(`not done in time: ${outcome.stderr.slice(-2_000)}`)
    const counts = JSON.parse(readFileSync(results, 'utf8')) as Counts
    process.stdout.write(
      `Node.js ${version.stdout.trim()}: ${counts.numPassedTests} of ${counts.numTotalTests} passed, ${counts.numFailedTests} failed\n`,
    )
    const failed = counts.testResults.flatMap(({ name, message, assertionResults }) => [
      ...(message === '' ? [] : [`${name}: ${message}`]),
      ...assertionResults.filter(({ status }) => status === 'failed').map(({ fullName }) => fullName),
    ])
    expect(failed).toEqual([])
    expect(counts.numPassedTests).toBeGreaterThan(100)
    expect(outcome.status).toBe(0)
  },
)

/** The program of that Node.js, from the package that carries it for this system. */
async function install(major: number, folder: string): Promise<string> {
  const name = `node-${platform() === 'win32' ? 'win' : platform()}-${arch()}`
  const windows = platform() === 'win32'
  const args = ['install', '--prefix', folder, '--no-save', '--no-audit', '--no-fund', `${name}@${major}`]
  const { status, stderr } = await run(windows ? 'npm.cmd' : 'npm', args, { timeoutMs: 5 * MINUTE_MS })
  if (status !== 0) throw new Error(`npm could not install ${name}@${major}: ${stderr.slice(-1_000)}`)
  return join(folder, 'node_modules', name, 'bin', windows ? 'node.exe' : 'node')
}
