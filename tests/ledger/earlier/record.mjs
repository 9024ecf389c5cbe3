// Records a ledger with a built program, to be kept before its format changes:
//   node tests/ledger/earlier/record.mjs PROGRAM/dist/server/main.js tests/ledger/earlier/NAME
// writes NAME.ndjson, and NAME.json with the pulls that this same program reads in it. A visit of devices with hardware
// addresses of their own (RFC 7042) in network namespaces (ip-netns(8), veth(4)), documentation addresses (RFC 5737),
// and a host called staging-laptop, so that nothing of the recording machine is in it. Needs Linux, root, iproute2.
import { execFileSync, spawn } from 'node:child_process'
import { randomBytes } from 'node:crypto'
import {
  copyFileSync,
  mkdtempSync,
  readFileSync,
  renameSync,
  rmSync,
  utimesSync,
  writeFileSync,
} from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { fileURLToPath } from 'node:url'
import { gzipSync } from 'node:zlib'

const [program, output] = process.argv.slice(2)
const tag = `fp-${randomBytes(2).toString('hex')}`
const folder = mkdtempSync(join(tmpdir(), 'fetchproof-earlier-'))
const ledger = join(folder, '.fetchproof', 'ledger.ndjson')
const PORT = 8080
const LAPTOP = '192.0.2.1'
const MIB = 1024 * 1024
const ip = (...args) => execFileSync('ip', args)
const inside = (where) => ['netns', 'exec', `${tag}-${where}`]
const ENV = {
  ...process.env,
  TZ: 'UTC',
  NODE_OPTIONS: `--require ${fileURLToPath(new URL('nowhere.cjs', import.meta.url))}`,
}

function buildSite() {
  ip('netns', 'add', `${tag}-hub`)
  ip('-n', `${tag}-hub`, 'link', 'add', 'hub0', 'type', 'bridge')
  ip('-n', `${tag}-hub`, 'link', 'set', 'hub0', 'up')
  station('laptop', LAPTOP, 0x01)
  for (let at = 1; at <= 6; at += 1) station(`d${at}`, `192.0.2.${10 + at}`, 0x10 + at)
  // Behind a router: no hardware address of its own is ever seen.
  station('router', '192.0.2.250', 0xfe)
  for (const address of ['198.51.100.7', '198.51.100.8', '203.0.113.9']) {
    ip('-n', `${tag}-router`, 'address', 'add', `${address}/32`, 'dev', 'lo')
  }
  for (const net of ['198.51.100.0/24', '203.0.113.0/24']) {
    ip('-n', `${tag}-laptop`, 'route', 'add', net, 'via', '192.0.2.250')
  }
}

function station(name, address, lastOctet) {
  const space = `${tag}-${name}`
  const mac = `00:00:5e:00:53:${lastOctet.toString(16).padStart(2, '0')}`
  ip('netns', 'add', space)
  ip(
    'link',
    'add',
    `p-${name}`,
    'netns',
    `${tag}-hub`,
    'type',
    'veth',
    'peer',
    'name',
    'eth0',
    'netns',
    space,
  )
  ip('-n', `${tag}-hub`, 'link', 'set', `p-${name}`, 'master', 'hub0', 'up')
  ip('-n', space, 'link', 'set', 'eth0', 'address', mac)
  ip('-n', space, 'address', 'add', `${address}/24`, 'dev', 'eth0')
  ip('-n', space, 'link', 'set', 'lo', 'up')
  ip('-n', space, 'link', 'set', 'eth0', 'up')
}

function removeSite() {
  const there = execFileSync('ip', ['netns', 'list'], { encoding: 'utf8' })
  for (const [name] of there.matchAll(new RegExp(`^${tag}-\\S+`, 'gm'))) ip('netns', 'delete', name)
}

/** Runs within the laptop's namespace; its exit status is not looked at where `anyStatus`. */
function fetchproof(args, anyStatus = false) {
  try {
    return execFileSync('ip', [...inside('laptop'), process.execPath, program, ...args], {
      encoding: 'utf8',
      env: ENV,
      stdio: ['ignore', 'pipe', anyStatus ? 'ignore' : 'inherit'],
    })
  } catch (error) {
    if (!anyStatus) throw error
    return error.stdout
  }
}

async function serve() {
  const flags = [
    ...['--listen', LAPTOP, '--port', String(PORT), '--page-port', '8081', '--format', 'json'],
    ...[
      '--allow',
      '192.0.2.0/24',
      '--allow',
      '198.51.100.0/24',
      '--settle-ms',
      '40',
      '--settle-unsure-ms',
      '120',
      '--list',
    ],
  ]
  const child = spawn('ip', [...inside('laptop'), process.execPath, program, 'serve', folder, ...flags], {
    env: ENV,
    stdio: ['ignore', 'ignore', 'inherit'],
  })
  await until(
    () => JSON.parse(readFileSync(join(folder, '.fetchproof', 'lock.json'), 'utf8')).pagePort === 8081,
  )
  await pause(1_500)
  return child
}

async function until(reached, what = reached) {
  for (let at = 0; at < 600; at += 1) {
    try {
      if (reached()) return
    } catch {
      // not there yet
    }
    await pause(50)
  }
  throw new Error(`never so: ${what}`)
}

const entries = () =>
  readFileSync(ledger, 'utf8')
    .split('\n')
    .filter((line) => line !== '')
    .map((line) => JSON.parse(line))

/** Until every fetch that was begun has ended, but those left open on purpose. */
async function settled(open = 0) {
  await pause(300)
  await until(() => {
    const all = entries()
    const begun = all.filter(({ kind }) => kind === 'fetch-begun').length
    return begun - all.filter(({ kind }) => kind === 'fetch-ended').length === open
  }, 'all fetches have ended')
}

/** One connection of a device; resolves when it has done what it was told, with how many bytes of body it read. */
function device(where, target, options = {}) {
  const code = readFileSync(new URL('device.cjs', import.meta.url), 'utf8')
  const told = JSON.stringify({ host: LAPTOP, port: PORT, target, ...options })
  const child = spawn('ip', [...inside(where), process.execPath, '-e', code, told], {
    stdio: ['ignore', 'pipe', 'inherit'],
  })
  return new Promise((done) => {
    let text = ''
    child.stdout.setEncoding('utf8').on('data', (more) => {
      text += more
      // One that holds its connection open says so far, and stays until it is killed.
      if (options.leaving === 'stay') done({ bytes: Number(text), child })
    })
    child.on('close', () => done({ bytes: Number(text), child }))
  })
}

function put(name, bytes) {
  const waiting = join(folder, `.${name}.incoming`)
  writeFileSync(waiting, bytes)
  const before = Date.now() / 1000 - 7200
  utimesSync(waiting, before, before)
  renameSync(waiting, join(folder, name))
}

async function api(path, body) {
  const { token } = JSON.parse(readFileSync(join(folder, '.fetchproof', 'lock.json'), 'utf8'))
  const code = `fetch('http://127.0.0.1:8081${path}', { method: 'POST', body: ${JSON.stringify(JSON.stringify(body))},
    headers: { authorization: 'Bearer ${token}', 'content-type': 'application/json' } })
    .then(async (answer) => { if (!answer.ok) { console.error(await answer.text()); process.exit(1) } })`
  execFileSync('ip', [...inside('laptop'), process.execPath, '-e', code], { stdio: 'inherit' })
}

function stage() {
  put('desk-4.4.bin', randomBytes(24 * MIB))
  put('radio-2.8.img', randomBytes(300_000))
  put('old-desk-4.1.bin', randomBytes(200_000))
  put('panel-1.0.gz', gzipSync(randomBytes(400_000)).subarray(0, 300_000))
  put('gate-3.1.bin', randomBytes(150_000))
  put('gate-3.1.bin.md5', `${randomBytes(16).toString('hex')}  gate-3.1.bin\n`)
  writeFileSync(
    join(folder, 'fetchproof.json'),
    JSON.stringify({
      visit: {
        engineer: 'A. N. Other',
        customer: 'Brindle Vale County Libraries',
        site: 'Mill Street branch',
      },
    }),
  )
  writeFileSync(
    join(folder, 'visit.csv'),
    [
      'device,address,mac,via,image,model,version_before,version_target,rollback,shelf',
      'desk-1,192.0.2.11,,,desk-4.4.bin,D-100,4.1,4.4,old-desk-4.1.bin,A',
      'desk-2,,00-00-5E-00-53-12,,desk-4.4.bin,D-100,,,,B',
      'desk-3,192.0.2.13,,,desk-4.4.bin,D-100,,,,B',
      'radio-4,192.0.2.14,,,radio-2.8.img,R-2,,2.8,,C',
      'radio-5,192.0.2.15,,,radio-2.8.img,R-2,,2.8,,C',
      'radio-5b,,,radio-5,radio-2.8.img,R-2,,,,C',
      'panel-6,192.0.2.16,,,panel-1.0.gz,P-1,,,,D',
      'far-7,198.51.100.7,,,radio-2.8.img,R-2,,,,E',
      '',
    ].join('\r\n'),
  )
}

async function firstRun() {
  const child = await serve()
  await until(() => entries().filter(({ kind }) => kind === 'image').length === 5, 'all images')
  // Complete, probed before; cut and resumed; in segments; half-closed; read to the end and reset.
  await device('d1', '/desk-4.4.bin', { method: 'HEAD' })
  await device('d1', '/desk-4.4.bin', { flashMs: 400 })
  const cut = await device('d2', '/desk-4.4.bin', { upTo: 3 * MIB, leaving: 'reset' })
  await settled()
  await device('d2', '/desk-4.4.bin', { range: `bytes=${cut.bytes}-` })
  const third = Math.floor((24 * MIB) / 3)
  await Promise.all([
    device('d3', '/desk-4.4.bin', { range: `bytes=0-${third - 1}`, slowly: true }),
    device('d3', '/desk-4.4.bin', { range: `bytes=${third}-${2 * third - 1}`, slowly: true }),
    device('d3', '/desk-4.4.bin', { range: `bytes=${2 * third}-`, slowly: true }),
  ])
  await device('d4', '/radio-2.8.img', { halfCloseFirst: true })
  await device('d5', '/radio-2.8.img', { leaving: 'reset' })
  await settled()
  // Refused: held twice, unknown, a method, an address that is not allowed, a line that is none, beyond the end.
  await device('d6', '/panel-1.0.gz')
  await device('d6', '/panel-1.0.gz')
  await device('d6', '/gate-3.1.bin')
  await device('d6', '/pane-1.0.gz')
  await device('d6', '/panel-1.0.gz', { method: 'POST' })
  await device('router', '/radio-2.8.img', { local: '203.0.113.9' })
  await device('d6', '', { line: 'GIMME' })
  await device('d1', '/desk-4.4.bin', { range: `bytes=${24 * MIB}-` })
  await device('d1', '/SHA256SUMS')
  // A hold is lifted; checksums are pasted twice; what a person saw.
  fetchproof([
    'lift',
    'panel-1.0.gz',
    '--reason',
    'the maker ships it so',
    '--by',
    'A. N. Other',
    '--folder',
    folder,
  ])
  await device('d6', '/panel-1.0.gz')
  await settled()
  const [md5, sha256] = ['md5sum', 'sha256sum'].map((sum) =>
    execFileSync(sum, [join(folder, 'radio-2.8.img')], { encoding: 'utf8' }).slice(
      0,
      sum === 'md5sum' ? 32 : 64,
    ),
  )
  await api('/api/published', {
    name: 'radio-2.8.img',
    text: `MD5 ${md5}\nSHA256 ${sha256}`,
    by: 'A. N. Other',
  })
  await device('router', '/radio-2.8.img', { local: '198.51.100.7' })
  const observe = (...args) => fetchproof(['observe', ...args, '--by', 'A. N. Other', '--folder', folder])
  observe('desk-1', '--before', '4.1')
  observe('desk-1', '--after', 'Desk switch, Version 4.4', '--note', 'fan is loud')
  fetchproof(['match', `md5 ${md5}`, '--device', 'radio-5', '--by', 'A. N. Other', '--folder', folder], true)
  // Two behind one address at the same time.
  await Promise.all(
    [1, 2].map(() => device('router', '/desk-4.4.bin', { local: '198.51.100.8', slowly: true })),
  )
  await settled()
  // Under one address cut off, under another one resumed.
  const moved = await device('d4', '/desk-4.4.bin', { upTo: 2 * MIB, leaving: 'reset' })
  await settled()
  ip('-n', `${tag}-d4`, 'address', 'del', '192.0.2.14/24', 'dev', 'eth0')
  ip('-n', `${tag}-d4`, 'address', 'add', '192.0.2.44/24', 'dev', 'eth0')
  await device('d4', '/desk-4.4.bin', { range: `bytes=${moved.bytes}-` })
  await settled()
  // The server dies under one.
  const lost = await device('d5', '/desk-4.4.bin', { upTo: 2 * MIB, leaving: 'stay' })
  await pause(1_200)
  process.kill(JSON.parse(readFileSync(join(folder, '.fetchproof', 'lock.json'), 'utf8')).pid, 'SIGKILL')
  await new Promise((gone) => child.on('close', gone))
  lost.child.kill('SIGKILL')
  return lost.bytes
}

async function secondRun(held) {
  const child = await serve()
  await device('d5', '/desk-4.4.bin', { range: `bytes=${held}-` })
  await settled()
  // Replaced under the same name, and one goes on with what it holds of the version before.
  const part = await device('d6', '/desk-4.4.bin', { upTo: MIB, leaving: 'reset' })
  const reading = await device('d3', '/desk-4.4.bin', { upTo: MIB, leaving: 'stay' })
  await settled(1)
  put('desk-4.4.bin', randomBytes(20 * MIB))
  await until(
    () => entries().filter(({ kind, name }) => kind === 'image' && name === 'desk-4.4.bin').length > 1,
  )
  await device('d6', '/desk-4.4.bin')
  reading.child.kill('SIGKILL')
  await settled()
  await device('d2', '/desk-4.4.bin', { ifRange: `"${'0'.repeat(64)}"`, range: `bytes=${part.bytes}-` })
  await device('d1', '/old-desk-4.1.bin')
  await settled()
  fetchproof(['rehearse', folder], true)
  rmSync(join(folder, 'old-desk-4.1.bin'))
  await until(() => entries().some(({ kind }) => kind === 'image-gone'), 'an image is gone')
  process.kill(JSON.parse(readFileSync(join(folder, '.fetchproof', 'lock.json'), 'utf8')).pid, 'SIGINT')
  await new Promise((gone) => child.on('close', gone))
}

try {
  buildSite()
  stage()
  await secondRun(await firstRun())
  const { pulls } = JSON.parse(fetchproof(['audit', folder, '--format', 'json']))
  copyFileSync(ledger, `${output}.ndjson`)
  writeFileSync(`${output}.json`, `${JSON.stringify(pulls, null, 1)}\n`)
} finally {
  removeSite()
  rmSync(folder, { recursive: true, force: true })
}
