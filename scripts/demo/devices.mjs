// Simulated devices: each pulls over a real connection from a loopback address of its own, at its own pace.
import { connect } from 'node:net'
import { platform } from 'node:os'
import { setTimeout as wait } from 'node:timers/promises'

/** Only Linux answers on all of 127.0.0.0/8 without being told to. */
const ownAddress = (address) => (platform() === 'linux' ? { localAddress: address } : {})

const SLICE_MS = 50

/**
 * Pulls `path` and resolves with the bytes of the body that arrived.
 * from: loopback address · agent: User-Agent · bytesPerSecond: pace · range: first byte, for a resume
 * pauseAt, pauseMs: stops reading there for so long, as a device that erases its flash does
 * resetAt: breaks the connection off there
 */
export function pull({ port, path, from, agent, bytesPerSecond, range = 0, pauseAt, pauseMs = 0, resetAt }) {
  return new Promise((done, failed) => {
    const socket = connect({ port, host: '127.0.0.1', ...ownAddress(from) })
    let body = -1
    let head = Buffer.alloc(0)
    let allowance = 0
    let paused = pauseAt === undefined
    const since = performance.now()

    socket.on('connect', () => {
      const resume = range > 0 ? `Range: bytes=${range}-\r\n` : ''
      socket.write(`GET ${path} HTTP/1.1\r\nUser-Agent: ${agent}\r\n${resume}Connection: close\r\n\r\n`)
    })
    socket.on('data', async (chunk) => {
      if (body < 0) {
        head = Buffer.concat([head, chunk])
        const end = head.indexOf('\r\n\r\n')
        if (end === -1) return
        body = head.length - end - 4
      } else {
        body += chunk.length
      }
      if (resetAt !== undefined && body >= resetAt) {
        socket.resetAndDestroy()
        return done(body)
      }
      allowance = (bytesPerSecond * (performance.now() - since)) / 1000
      const stop = !paused && body >= pauseAt
      if (!stop && body <= allowance) return
      socket.pause()
      if (stop) {
        paused = true
        await wait(pauseMs)
      }
      while (body > (bytesPerSecond * (performance.now() - since - (paused ? pauseMs : 0))) / 1000)
        await wait(SLICE_MS)
      socket.resume()
    })
    socket.on('end', () => {
      socket.end()
      done(Math.max(0, body))
    })
    socket.on('error', (error) => (error.code === 'ECONNRESET' ? done(Math.max(0, body)) : failed(error)))
  })
}
