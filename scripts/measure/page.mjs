// What the bench page costs the server: 500 images and 1,000 pulls, one page open, one pull moving all the time.
import { mkdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { get } from 'node:http'
import { connect } from 'node:net'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { writeLedger } from './ledgers.mjs'
import { processorSeconds, serve, writeImage } from './processes.mjs'

const IMAGES = 500
const SECONDS = 10

export async function measurePage(folder) {
  const staging = join(folder, 'page')
  mkdirSync(staging, { recursive: true })
  for (let at = 0; at < IMAGES; at += 1) writeFileSync(join(staging, `image-${at}.bin`), `image ${at}`)
  writeImage(join(staging, 'large.bin'), 64)
  await writeLedger(staging, 1_000)
  const server = await serve(staging, IMAGES + 1)
  try {
    const slow = slowPull(server.port, '/large.bin')
    // What the start leaves to do in the background is over by then.
    await wait(5_000)
    const before = await busyShare(server.pid)
    const page = openStream(JSON.parse(readFileSync(join(staging, '.fetchproof/lock.json'), 'utf8')).pagePort)
    await wait(2_000)
    const seen = page.events()
    const withPage = await busyShare(server.pid)
    const rate = (page.events() - seen) / SECONDS
    page.close()
    await wait(1_000)
    const without = (before + (await busyShare(server.pid))) / 2
    slow.destroy()
    return [
      {
        what: `server's processor for an open page (${IMAGES} images, 1,000 pulls, ${rate.toFixed(1)} updates a second)`,
        ours: share(withPage - without),
        reference: '',
        ratio: '',
        aim: '<= 5 %',
      },
    ]
  } finally {
    await server.stop()
    rmSync(staging, { recursive: true })
  }
}

/** Half a percent is what one run differs from the next. */
function share(cores) {
  return cores < 0.005 ? 'less than 0.5 % of a core' : `${(cores * 100).toFixed(1)} % of a core`
}

async function busyShare(pid) {
  const before = processorSeconds(pid)
  await wait(SECONDS * 1000)
  return (processorSeconds(pid) - before) / SECONDS
}

function openStream(port) {
  let events = 0
  const request = get({ host: '127.0.0.1', port, path: '/api/stream' }, (response) => {
    response.on('data', (chunk) => {
      events +=
        chunk
          .toString()
          .split('\n')
          .filter((line) => line.startsWith('data: {')).length > 0
          ? 1
          : 0
    })
  })
  return { events: () => events, close: () => request.destroy() }
}

/** Takes about 1 MB/s, a little at a time. */
function slowPull(port, path) {
  const socket = connect({ port, host: '127.0.0.1' })
  socket.on('connect', () => socket.write(`GET ${path} HTTP/1.0\r\n\r\n`))
  socket.on('data', () => {
    socket.pause()
    setTimeout(() => socket.resume(), 60)
  })
  socket.on('error', () => undefined)
  return socket
}
