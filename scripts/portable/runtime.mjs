// Gets a runtime from the npm registry, or npm's own cache, and checks it against the pinned integrity.
import { spawnSync } from 'node:child_process'
import { createHash } from 'node:crypto'
import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { gunzipSync } from 'node:zlib'
import { tarEntries } from './tar.mjs'
import { LICENCE_SOURCE, RUNTIME } from './targets.mjs'

/** `{ executable, licence }` of a target: bytes as their makers published them. Throws when they are others. */
export function runtimeOf(target) {
  const { executable } = target
  const found = wanted(target, [`package/bin/${executable}`, 'package/LICENSE'])
  const licence =
    found.get('package/LICENSE') ?? wanted(LICENCE_SOURCE, ['package/LICENSE']).get('package/LICENSE')
  return { executable: found.get(`package/bin/${executable}`), licence }
}

/** The package as the registry has it. Undefined when it cannot be had. */
export function packedRuntime(target) {
  const folder = mkdtempSync(join(tmpdir(), 'fetchproof-runtime-'))
  try {
    const how = ['pack', `${target.package}@${RUNTIME.version}`, '--json', '--pack-destination', folder]
    const packed = npm([...how, '--prefer-offline', '--fetch-retries=1', '--fetch-retry-mintimeout=1000'])
    if (packed.status !== 0) return undefined
    return readFileSync(join(folder, JSON.parse(packed.stdout)[0].filename))
  } finally {
    rmSync(folder, { recursive: true, force: true })
  }
}

/** By the npm that runs this script, or the one on PATH (on Windows a script, which only a shell starts). */
function npm(args) {
  const options = { encoding: 'utf8', maxBuffer: 64 * 1024 * 1024 }
  const own = process.env.npm_execpath
  if (own?.endsWith('npm-cli.js')) return spawnSync(process.execPath, [own, ...args], options)
  return spawnSync('npm', args, { ...options, shell: process.platform === 'win32' })
}

function wanted(target, names) {
  const packed = packedRuntime(target)
  if (packed === undefined)
    throw new Error(`${target.package}@${RUNTIME.version} cannot be fetched: no network?`)
  const integrity = `sha512-${createHash('sha512').update(packed).digest('base64')}`
  if (integrity !== target.integrity) {
    throw new Error(`${target.package}@${RUNTIME.version} is not what is pinned: ${integrity}`)
  }
  return tarEntries(gunzipSync(packed), names)
}
