/**
 * The archive for Linux: its folder the same from two builds, its runtime as the makers gave it, small enough for a
 * stick, and all that a machine without Node.js needs. Archives are built twice in the slow tier; that the same files
 * make the same archive is seen on small ones (archive.test.ts).
 */
import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { copyFileSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, statSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { dirname, join } from 'node:path'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import { packedRuntime } from '../../scripts/portable/runtime.mjs'
import { TARGETS } from '../../scripts/portable/targets.mjs'
import { run } from '../clients/program.ts'
import { sha256, untilAllDone } from '../clients/served.ts'
import { allNeed, needs } from '../needs.ts'
import { build, titleOf } from './runtime.ts'

const TITLE = titleOf('linux-x64')
const ARCHIVE = `${TITLE}.tar.gz`
const MB = 1_000_000

const isHere = allNeed('the runtime for Linux', 'tar', 'gzip')
const whenAllDone = untilAllDone()
let out = ''

beforeAll(async () => {
  if (!isHere) return
  out = mkdtempSync(join(tmpdir(), 'fetchproof-build-'))
  whenAllDone(async () => rmSync(out, { recursive: true, force: true, maxRetries: 3 }))
  await build(join(out, 'first'), ['--only', 'linux-x64'])
}, 300_000)

test('has the same files from a second build, whatever time zone, language, mask, folder and environment it is made in', async () => {
  const surroundings = {
    env: { TZ: 'Pacific/Auckland', LC_ALL: 'tr_TR.UTF-8', NODE_ENV: 'development' },
    umask: '077',
    cwd: out,
  }
  await build(join(out, 'second'), ['--only', 'linux-x64', '--no-archives'], surroundings)
  const first = contentsOf(join(out, 'first', TITLE))
  expect(first.size).toBeGreaterThan(20)
  expect(contentsOf(join(out, 'second', TITLE))).toEqual(first)
}, 300_000)

/** What a folder holds: digest, and whether it may be run, by path. */
function contentsOf(folder: string): ReadonlyMap<string, string> {
  const files = readdirSync(folder, { recursive: true, withFileTypes: true }).filter((entry) =>
    entry.isFile(),
  )
  return new Map(
    files.map(({ parentPath, name }) => {
      const path = join(parentPath, name)
      const runs = (statSync(path).mode & 0o100) !== 0
      return [path.slice(folder.length), `${sha256(readFileSync(path))}${runs ? ' runs' : ''}`]
    }),
  )
}

test('takes at most 50 MB packed and 130 MB unpacked', () => {
  const folder = join(out, 'first', TITLE)
  const files = readdirSync(folder, { recursive: true, withFileTypes: true }).filter((entry) =>
    entry.isFile(),
  )
  const bytes = files.reduce((sum, { parentPath, name }) => sum + statSync(join(parentPath, name)).size, 0)
  expect(bytes).toBeLessThanOrEqual(130 * MB)
  expect(statSync(join(out, 'first', ARCHIVE)).size).toBeLessThanOrEqual(50 * MB)
})

test('holds the executable that the makers of Node.js signed, byte for byte', {
  ...needs('sha256sum'),
  timeout: 120_000,
}, async () => {
  const unpacked = join(out, 'unpacked')
  mkdirSync(unpacked)
  const packed = packedRuntime(TARGETS['linux-x64']) ?? Buffer.alloc(0)
  const tar = spawn('tar', ['-xzf', '-', 'package/bin/node'], { cwd: unpacked })
  tar.stdin.end(packed)
  expect((await once(tar, 'close'))[0]).toBe(0)
  await run('tar', ['-xzf', join(out, 'first', ARCHIVE)], { cwd: unpacked, timeoutMs: 60_000 })
  const made = readFileSync(join(unpacked, 'package/bin/node'))
  expect(sha256(readFileSync(join(unpacked, TITLE, 'runtime/node')))).toBe(sha256(made))
  const checked = await run('sha256sum', ['--strict', '--quiet', '-c', 'SHA256SUMS'], {
    cwd: join(unpacked, TITLE),
  })
  expect(checked).toMatchObject({ status: 0, stdout: '', stderr: '' })
})

/** The system's C and C++ libraries, which every desktop has, and a shell: no Node.js, no certificates, no /proc. */
async function rootWith(archive: string): Promise<string> {
  const root = mkdtempSync(join(tmpdir(), 'fetchproof-root-'))
  onTestFinished(() => rmSync(root, { recursive: true, force: true }))
  await run('tar', ['-xzf', archive], { cwd: root, timeoutMs: 60_000 })
  const put = (from: string, to = from): void => {
    mkdirSync(dirname(join(root, to)), { recursive: true })
    copyFileSync(from, join(root, to))
  }
  for (const name of ['sh', 'env', 'dirname', 'readlink', 'find']) put('/bin/busybox', `/bin/${name}`)
  const { stdout } = await run('ldd', [join(root, TITLE, 'runtime/node'), '/bin/busybox'])
  for (const [, library = ''] of stdout.matchAll(/(\/\S+\.so\S*) \(/g)) put(library)
  mkdirSync(join(root, 'tmp'), { mode: 0o1777 })
  return root
}

describe('in a root without Node.js', needs('busybox', 'mount namespaces', 'ldd'), () => {
  test('serves, and keeps its record, which it then checks', async () => {
    const root = await rootWith(join(out, 'first', ARCHIVE))
    const inRoot = ['--map-root-user', `--root=${root}`, '--wd=/', 'env', '-i', 'PATH=/bin']
    const found = await run('unshare', [...inRoot, '/bin/find', '/', '-name', 'node*'])
    expect(found).toMatchObject({ status: 0, stdout: `/${TITLE}/runtime/node\n` })
    const serve = [`/${TITLE}/fetchproof`, 'serve', `/${TITLE}/staging`, '--port', '0', '--page-port', '0']
    const server = spawn('unshare', [...inRoot, ...serve, '--listen', '127.0.0.1'])
    onTestFinished(() => void server.kill('SIGKILL'))
    const ended = once(server, 'close')
    let text = ''
    server.stdout.setEncoding('utf8').on('data', (more: string) => {
      text += more
    })
    server.stderr.setEncoding('utf8').on('data', (more: string) => {
      text += more
    })
    await expect.poll(() => text, { timeout: 25_000 }).toMatch(/Bench page.*#token=/)
    const url = /http:\/\/127\.0\.0\.1:\d+\/practice-image\.bin/.exec(text)?.[0] ?? text
    const practice = readFileSync(new URL('../../staging/practice-image.bin', import.meta.url))
    await expect
      .poll(async () => (await fetch(url, { method: 'HEAD' })).status, { timeout: 20_000 })
      .toBe(200)
    const body = Buffer.from(await (await fetch(url)).arrayBuffer())
    expect(body.equals(practice)).toBe(true)
    server.kill('SIGINT')
    expect((await ended)[0], text).toBe(0)
    const audit = await run('unshare', [
      ...inRoot,
      `/${TITLE}/fetchproof`,
      'audit',
      '--check',
      `/${TITLE}/staging`,
    ])
    expect(audit).toMatchObject({ status: 0, stdout: expect.stringContaining('intact') })
  }, 120_000)
})
