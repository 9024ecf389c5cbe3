// Time from the request to the first byte for a new client: alone, while 48 pull, and while 1 GiB is digested.
import { mkdirSync, rmSync } from 'node:fs'
import { connect } from 'node:net'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { loopDelayMs, median, pullRate, serve, writeImage } from './processes.mjs'

const REQUESTS = 60

export async function measureFirstByte(folder) {
  const staging = join(folder, 'first-byte')
  mkdirSync(staging, { recursive: true })
  writeImage(join(staging, 'small.bin'), 1)
  writeImage(join(staging, 'image.bin'), 32)
  const server = await serve(staging, 2)
  try {
    const alone = await times(server.port)
    const enough = new AbortController()
    const load = (async () => {
      while (!enough.signal.aborted) await pullRate(server.port, '/image.bin', 48)
    })()
    await wait(500)
    await loopDelayMs(server)
    const busy = await times(server.port)
    const delay = await loopDelayMs(server)
    enough.abort()
    await load
    writeImage(join(staging, 'large.bin'), 1024)
    const digesting = await times(server.port)
    return [
      row('first byte for a new client', alone, alone),
      row('first byte while 48 clients pull, against alone', busy, alone, '<= 2, worst <= 10'),
      {
        what: 'delay of the event loop while 48 clients pull, 99 of 100 times at most',
        ours: `${delay.toFixed(1)} ms`,
        reference: '',
        ratio: '',
        aim: '<= 5 ms',
      },
      row('first byte while 1 GiB is digested, against alone', digesting, alone),
    ]
  } finally {
    await server.stop()
    rmSync(staging, { recursive: true })
  }
}

async function times(port) {
  const all = []
  for (let at = 0; at < REQUESTS; at += 1) {
    all.push(await firstByteMs(port))
    await wait(10)
  }
  return all
}

function firstByteMs(port) {
  return new Promise((known, failed) => {
    const socket = connect({ port, host: '127.0.0.1' })
    let begun = 0
    socket.on('connect', () => {
      begun = performance.now()
      socket.write('GET /small.bin HTTP/1.0\r\n\r\n')
    })
    socket.once('data', () => {
      known(performance.now() - begun)
      socket.destroy()
    })
    socket.on('error', failed)
  })
}

function row(what, ours, reference, aim = '') {
  const worst = Math.max(...ours)
  return {
    what,
    ours: `${median(ours).toFixed(1)} ms (worst of ${ours.length}: ${worst.toFixed(1)} ms)`,
    reference: ours === reference ? '' : `${median(reference).toFixed(1)} ms`,
    ratio:
      ours === reference
        ? ''
        : `${(median(ours) / median(reference)).toFixed(1)}, worst ${(worst / median(reference)).toFixed(1)}`,
    aim,
  }
}
