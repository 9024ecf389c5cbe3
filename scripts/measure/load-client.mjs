// A process of its own that pulls: argv = port, path, clients, mode. Modes: `whole` reads to the end;
// `paused` reads a little at an offset of its own and then stops reading until its input ends.
// Prints one JSON line when done: { bytes, seconds } or { open }.
import { connect } from 'node:net'

const [port, path, clients, mode] = [
  Number(process.argv[2]),
  process.argv[3],
  Number(process.argv[4]),
  process.argv[5],
]
const PAUSED_AFTER_BYTES = 64 * 1024

function pull(extra = '') {
  return new Promise((done, failed) => {
    const socket = connect({ port, host: '127.0.0.1', highWaterMark: 1024 * 1024 })
    let bytes = 0
    let whole
    socket.on('connect', () =>
      socket.write(`GET ${path} HTTP/1.1\r\nHost: measure\r\n${extra}Connection: close\r\n\r\n`),
    )
    socket.on('data', (chunk) => {
      whole ??= wholeBytes(chunk)
      bytes += chunk.length
      // As clients do that know the length: they are done with the last byte, and close.
      if (bytes === whole) socket.end(() => done(bytes))
    })
    socket.on('error', failed)
    socket.on('end', () => {
      if (bytes !== whole) failed(new Error(`${bytes} of ${whole} bytes`))
    })
  })
}

/** Bytes of the answer that begins so, its head included. */
function wholeBytes(start) {
  const head = start.subarray(0, start.indexOf('\r\n\r\n') + 4)
  return head.length + Number(/^content-length: *(\d+)/im.exec(head.toString('latin1'))[1])
}

/** From an address of its own: what one client asks for beyond all that it was handed is refused. */
function pause(at) {
  const offset = at * 1024 * 1024
  return new Promise((paused, failed) => {
    const localAddress = `127.3.${Math.floor(at / 250)}.${(at % 250) + 1}`
    const socket = connect({ port, host: '127.0.0.1', localAddress })
    let bytes = 0
    socket.on('connect', () =>
      socket.write(`GET ${path} HTTP/1.1\r\nHost: measure\r\nRange: bytes=${offset}-\r\n\r\n`),
    )
    socket.on('error', failed)
    socket.on('end', () => failed(new Error(`refused at offset ${offset}`)))
    socket.on('data', (chunk) => {
      bytes += chunk.length
      if (bytes >= PAUSED_AFTER_BYTES) {
        socket.pause()
        paused(socket)
      }
    })
  })
}

if (mode === 'paused') {
  const sockets = await Promise.all(Array.from({ length: clients }, (_, at) => pause(at)))
  console.log(JSON.stringify({ open: sockets.length }))
  process.stdin.resume()
  process.stdin.on('end', () => process.exit(0))
} else {
  const begun = performance.now()
  const all = await Promise.all(Array.from({ length: clients }, () => pull()))
  const seconds = (performance.now() - begun) / 1000
  console.log(JSON.stringify({ bytes: all.reduce((sum, bytes) => sum + bytes, 0), seconds }))
}
