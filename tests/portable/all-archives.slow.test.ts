/** Portable archives of every system: small enough, the makers' executable in each, and the same bytes from a second build. */
import { createHash } from 'node:crypto'
import { cpSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, statSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { gunzipSync } from 'node:zlib'
import { beforeAll, describe, expect, test } from 'vitest'
import { packedRuntime } from '../../scripts/portable/runtime.mjs'
import { tarEntries } from '../../scripts/portable/tar.mjs'
import { TARGETS } from '../../scripts/portable/targets.mjs'
import { run } from '../clients/program.ts'
import { sha256, untilAllDone } from '../clients/served.ts'
import { allNeed } from '../needs.ts'
import { build, SCRIPT, sums, type TargetName, titleOf } from './runtime.ts'

const MB = 1_000_000
const ROOT = fileURLToPath(new URL('../..', import.meta.url))
/** What a build reads, and no more. */
const SOURCES = ['node_modules', 'dist/server', 'dist/bundled', 'scripts', 'server', 'staging']
const FILES = ['package.json', 'README.md', 'LICENSE', 'tsconfig.json']

const isHere = allNeed('the runtime for Linux', 'the runtime for Windows', 'tar', 'gzip', 'unzip')
const whenAllDone = untilAllDone()
let work = ''

beforeAll(async () => {
  if (!isHere) return
  work = mkdtempSync(join(tmpdir(), 'fetchproof-archives-'))
  whenAllDone(async () => rmSync(work, { recursive: true, force: true, maxRetries: 3 }))
  await build(join(work, 'first'), [])
}, 1_200_000)

test('two builds of each archive are the same bytes, the second from a copy of the sources elsewhere', async () => {
  const elsewhere = join(work, 'another place')
  mkdirSync(elsewhere)
  for (const name of [...SOURCES, ...FILES])
    cpSync(join(ROOT, name), join(elsewhere, name), { recursive: true })
  const script = join(elsewhere, SCRIPT.slice(ROOT.length))
  await build(join(work, 'second'), [], {
    env: { TZ: 'Pacific/Auckland', LC_ALL: 'tr_TR.UTF-8', NODE_ENV: 'development' },
    umask: '077',
    script,
  })
  const first = sums(join(work, 'first'))
  expect(first.size).toBe(Object.keys(TARGETS).length)
  expect(sums(join(work, 'second'))).toEqual(first)
  for (const [name, sum] of first) {
    const made = createHash('sha256')
      .update(readFileSync(join(work, 'second', name)))
      .digest('hex')
    expect([name, made]).toEqual([name, sum])
    console.log(`${sum}  ${name}`)
  }
}, 1_200_000)

describe.each(Object.entries(TARGETS))('%s', (name, target) => {
  const title = titleOf(name as TargetName)

  test('is small enough for a stick', () => {
    const folder = join(work, 'first', title)
    const files = readdirSync(folder, { recursive: true, withFileTypes: true }).filter((entry) =>
      entry.isFile(),
    )
    const bytes = files.reduce((sum, file) => sum + statSync(join(file.parentPath, file.name)).size, 0)
    const packed = statSync(`${folder}.${target.archive}`).size
    expect(bytes).toBeLessThanOrEqual(130 * MB)
    expect(packed).toBeLessThanOrEqual(50 * MB)
    console.log(`${title}: ${(bytes / MB).toFixed(1)} MB, packed ${(packed / MB).toFixed(1)} MB`)
  })

  test('unpacks to the executable of its makers, byte for byte, and to what SHA256SUMS says', async () => {
    const unpacked = join(work, `unpacked ${name}`)
    mkdirSync(unpacked)
    const archive = join(work, 'first', `${title}.${target.archive}`)
    const [program, args] = target.archive === 'zip' ? ['unzip', ['-q', archive]] : ['tar', ['-xzf', archive]]
    expect(
      (await run(program as string, args as string[], { cwd: unpacked, timeoutMs: 60_000 })).status,
    ).toBe(0)
    const inPackage = `package/bin/${target.executable}`
    const made = tarEntries(gunzipSync(packedRuntime(target) ?? Buffer.alloc(0)), [inPackage]).get(inPackage)
    const ours = readFileSync(join(unpacked, title, 'runtime', target.executable))
    expect(sha256(ours)).toBe(sha256(made ?? Buffer.alloc(0)))
    const checked = await run('sha256sum', ['--strict', '--quiet', '-c', 'SHA256SUMS'], {
      cwd: join(unpacked, title),
    })
    expect(checked).toMatchObject({ status: 0, stdout: '', stderr: '' })
    for (const launcher of target.launchers)
      expect(statSync(join(unpacked, title, launcher)).isFile()).toBe(true)
  })
})
