// The steady load of a soak: pulls, resumes, paused clients, refusals, files that come and go, a page that listens.
import { randomBytes } from 'node:crypto'
import { setMaxListeners } from 'node:events'
import { rmSync, writeFileSync } from 'node:fs'
import { connect } from 'node:net'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'

export const LARGE_BYTES = 8 * 1024 * 1024
export const SMALL_BYTES = 64 * 1024
const FILES_KEPT = 20

export function startLoad({ port, pagePort, folder }) {
  const stopping = new AbortController()
  const { signal } = stopping
  setMaxListeners(0, signal)
  const counts = { whole: 0, resumed: 0, paused: 0, refused: 0, files: 0, pageBytes: 0, faults: [] }
  /** Of the minute that is running. */
  let latencies = []
  let turn = 0

  const rest = (ms) => pause(ms, undefined, { signal }).catch(() => undefined)
  const again = async (work) => {
    while (!signal.aborted) {
      try {
        await work()
      } catch (error) {
        if (!signal.aborted) counts.faults.push(String(error))
        await rest(500)
      }
    }
  }
  /** Own loopback addresses stand for devices (127.0.0.0/8 is this machine: RFC 6890). */
  const nextDevice = () => `127.0.0.${2 + (turn++ % 40)}`
  const expectWhole = (bytes, wanted, what) => {
    if (bytes !== wanted && !signal.aborted) counts.faults.push(`${what}: ${bytes} of ${wanted} bytes`)
  }

  const work = [
    ...[1, 2, 3].map(() =>
      again(async () => {
        const got = await ask(port, '/large.bin', { from: nextDevice(), signal })
        expectWhole(got.bytes, LARGE_BYTES, 'pull')
        counts.whole += 1
        await rest(400)
      }),
    ),
    again(async () => {
      const from = nextDevice()
      const part = await ask(port, '/large.bin', {
        from,
        stopAfter: 1_000_000 + (turn % 7) * 700_000,
        signal,
      })
      const more = await ask(port, '/large.bin', { from, range: part.bytes, signal })
      expectWhole(part.bytes + more.bytes, LARGE_BYTES, 'resume')
      counts.resumed += 1
      await rest(700)
    }),
    // Devices of their own: one that goes on from a byte on a new connection gives up its stalled one.
    ...[1, 2, 3, 4, 5, 6].map((which) =>
      again(async () => {
        const got = await ask(port, '/large.bin', {
          from: `127.0.1.${which}`,
          pauseMs: 10_000 + which * 5_000,
          signal,
        })
        expectWhole(got.bytes, LARGE_BYTES, 'paused')
        counts.paused += 1
      }),
    ),
    again(async () => {
      const odd = ['/nothing-here.bin', `/missing-${turn++}.bin`, '/../etc/passwd'][turn % 3]
      const got = await ask(port, odd, { from: nextDevice(), signal })
      if (got.status === 200) counts.faults.push(`${odd} was answered`)
      counts.refused += 1
      await rest(1_000)
    }),
    again(async () => {
      const number = counts.files++
      writeFileSync(
        join(folder, `new-${number}.bin`),
        Buffer.concat([Buffer.from([0x80]), randomBytes(200_000)]),
      )
      rmSync(join(folder, `new-${number - FILES_KEPT}.bin`), { force: true })
      await rest(5_000)
    }),
    again(async () => {
      const minute = AbortSignal.any([signal, AbortSignal.timeout(60_000)])
      const stream = await fetch(`http://127.0.0.1:${pagePort}/api/stream`, { signal: minute })
      try {
        for await (const part of stream.body) counts.pageBytes += part.length
      } catch (error) {
        if (!minute.aborted) throw error
      }
    }),
    again(async () => {
      const got = await ask(port, '/small.bin', { from: '127.0.0.250', signal })
      expectWhole(got.bytes, SMALL_BYTES, 'probe')
      latencies.push(got.firstByteMs)
      await rest(250)
    }),
  ]

  return {
    counts,
    takeLatencies() {
      const taken = latencies
      latencies = []
      return taken
    },
    async stop() {
      stopping.abort()
      await Promise.all(work)
    },
  }
}

/** One request; resolves when the server has ended it, or it was broken off as told. Rejects with a reset. */
function ask(port, path, { from, range, stopAfter = Infinity, pauseMs = 0, signal }) {
  return new Promise((done, failed) => {
    const begun = performance.now()
    const socket = connect({ port, host: '127.0.0.1', localAddress: from, signal })
    let head = ''
    let status = 0
    let bytes = 0
    let firstByteMs = 0
    let paused = pauseMs === 0
    const finish = () => done({ status, bytes, firstByteMs })
    socket.on('connect', () =>
      socket.write(
        `GET ${path} HTTP/1.1\r\nHost: soak\r\n${range === undefined ? '' : `Range: bytes=${range}-\r\n`}\r\n`,
      ),
    )
    socket.on('data', (chunk) => {
      let body = chunk
      if (status === 0) {
        if (head === '') firstByteMs = performance.now() - begun
        head += chunk.toString('latin1')
        const end = head.indexOf('\r\n\r\n')
        if (end === -1) return
        status = Number(head.slice(9, 12))
        body = Buffer.from(head.slice(end + 4), 'latin1')
      }
      bytes += body.length
      if (bytes >= stopAfter) {
        socket.resetAndDestroy()
        finish()
      } else if (!paused) {
        paused = true
        socket.pause()
        pause(pauseMs, undefined, { signal }).then(
          () => socket.resume(),
          () => socket.destroy(),
        )
      }
    })
    socket.on('end', finish)
    socket.on('error', failed)
    socket.on('close', finish)
  })
}
