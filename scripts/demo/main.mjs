// `npm run demo`: the branch libraries of an invented county get new switches, access points, phones and a camera
// tonight. Invented images, and simulated devices that pull, pause, break off and resume, so that the terminal and
// the bench page have something to show. Everything happens on loopback, in a folder that is removed afterwards.
import { spawn } from 'node:child_process'
import { createHash } from 'node:crypto'
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { createServer } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { fileURLToPath } from 'node:url'
import { gzipSync } from 'node:zlib'
import { pull } from './devices.mjs'

const PROGRAM = fileURLToPath(new URL('../../dist/server/main.js', import.meta.url))
const MEGABYTE = 1_000_000
const once = process.argv.includes('--once')

const folder = join(mkdtempSync(join(tmpdir(), 'fetchproof-demo-')), 'brindle-vale-libraries')
mkdirSync(folder)
const images = [
  { name: 'Alderwick AW-24 branch switch 5.1.2+3.bin', bytes: 48 * MEGABYTE },
  { name: 'Alderwick AW-24 branch switch 4.9.0.bin', bytes: 30 * MEGABYTE },
  { name: 'quillon-ap-reading-room-2.7.img', bytes: 24 * MEGABYTE },
  { name: 'phones/Tamsin desk phone 11.0.4.bin', bytes: 6 * MEGABYTE },
]
for (const image of images) writeImage(image)
writeFileSync(
  join(folder, 'camera-firmware.bin'),
  '<!doctype html>\n<title>Please log in</title>\n<form>Session expired</form>\n',
)
writeFileSync(
  join(folder, 'fetchproof.json'),
  JSON.stringify(
    {
      visit: {
        engineer: 'A. Engineer',
        customer: 'Brindle Vale County Libraries',
        site: 'Hollow Lane branch',
        changeReference: 'CHG-0042',
      },
      paste: { console: 'fetch {url} verify {sha256}' },
    },
    null,
    2,
  ),
)

const port = await freePort()
const args = [
  'serve',
  folder,
  '--port',
  port,
  '--page-port',
  once ? 0 : 8081,
  '--settle-ms',
  500,
  '--settle-unsure-ms',
  1500,
  '--stalled-ms',
  2000,
]
const server = spawn(process.execPath, [PROGRAM, ...args.map(String)], {
  stdio: ['ignore', 'inherit', 'inherit'],
})
const gone = new Promise((resolve) => server.on('exit', resolve))
process.on('SIGINT', () => undefined)

await Promise.race([gone, play()])
if (once) server.kill('SIGINT')
else console.log('\nThe devices are done. Look at the page; Ctrl-C ends the demo.')
await gone
console.log('\nWhat the ledger says of this evening (fetchproof audit):\n')
await new Promise((resolve) =>
  spawn(process.execPath, [PROGRAM, 'audit', folder], { stdio: 'inherit' }).on('exit', resolve),
)
rmSync(join(folder, '..'), { recursive: true, force: true })

async function play() {
  await readyAt('/Alderwick-AW-24-branch-switch-5.1.2-3.bin')
  const common = { port, agent: 'branch-device/1.0' }
  const switchImage = { path: '/Alderwick-AW-24-branch-switch-5.1.2-3.bin', ...common }
  await Promise.all([
    pull({ ...switchImage, from: '127.0.0.21', bytesPerSecond: 4 * MEGABYTE }),
    // Erases its flash half-way.
    pull({
      ...switchImage,
      from: '127.0.0.22',
      bytesPerSecond: 6 * MEGABYTE,
      pauseAt: 20 * MEGABYTE,
      pauseMs: 6_000,
    }),
    breaksOffAndResumes({ ...switchImage, from: '127.0.0.23', bytesPerSecond: 5 * MEGABYTE }),
    pull({
      ...common,
      path: '/quillon-ap-reading-room-2.7.img',
      from: '127.0.0.31',
      bytesPerSecond: 3 * MEGABYTE,
    }),
    pull({
      ...common,
      path: '/phones/Tamsin-desk-phone-11.0.4.bin',
      from: '127.0.0.41',
      bytesPerSecond: MEGABYTE,
    }),
    pull({ ...common, path: '/camera-firmware.bin', from: '127.0.0.51', bytesPerSecond: MEGABYTE }),
    pull({
      ...common,
      path: '/Alderwick-AW-24-branch-switch-5.1.2.bin',
      from: '127.0.0.24',
      bytesPerSecond: MEGABYTE,
    }),
  ])
  await wait(1_000)
}

async function breaksOffAndResumes(device) {
  const held = await pull({ ...device, resetAt: 18 * MEGABYTE })
  await wait(2_500)
  await pull({ ...device, range: held })
}

/** A sound gzip of invented bytes, with the checksum that its maker would publish beside it. */
function writeImage({ name, bytes }) {
  const file = join(folder, name)
  mkdirSync(join(file, '..'), { recursive: true })
  const body = Buffer.alloc(bytes)
  let seed = createHash('sha256').update(name).digest()
  for (let at = 0; at < bytes; at += seed.length) {
    if (at % MEGABYTE < seed.length) seed = createHash('sha256').update(seed).digest()
    seed.copy(body, at)
  }
  const image = gzipSync(body, { level: 0 })
  writeFileSync(file, image)
  writeFileSync(
    `${file}.sha256`,
    `${createHash('sha256').update(image).digest('hex')}  ${name.split('/').at(-1)}\n`,
  )
}

/** Asks as a device would until the image is ready. */
async function readyAt(path) {
  const deadline = performance.now() + 60_000
  while (performance.now() < deadline) {
    const status = await fetch(`http://127.0.0.1:${port}${path}`, { method: 'HEAD' }).then(
      (response) => response.status,
      () => 0,
    )
    if (status === 200) return
    await wait(300)
  }
  throw new Error('The images did not become ready within a minute.')
}

function freePort() {
  return new Promise((found) => {
    const probe = createServer().listen(8080, '0.0.0.0', () => probe.close(() => found(8080)))
    probe.on('error', () => {
      const other = createServer().listen(0, '127.0.0.1', () => {
        const { port: free } = other.address()
        other.close(() => found(free))
      })
    })
  })
}
