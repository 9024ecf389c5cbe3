// A process of its own that pulls as a good device does, from an address of its own each time: argv = port, path, bytes.
// Until it is ended; then prints one JSON line, each list in ms:
//   { firstByte, endOfStream, begun, complete, refused, dropped }
// `dropped`: the kernel had no room for the connection, and TCP asked again a second later (RFC 6298 §2, the first RTO).
import { connect } from 'node:net'
import { setTimeout as wait } from 'node:timers/promises'

const [port, path, bytes] = [Number(process.argv[2]), process.argv[3], Number(process.argv[4])]
const EVERY_MS = 100
const PATIENCE_MS = 20_000
const seen = { firstByte: [], endOfStream: [], begun: 0, complete: 0, refused: 0, dropped: 0 }
process.on('SIGTERM', () => {
  console.log(JSON.stringify(seen))
  process.exit(0)
})

function pull(at) {
  const from = `127.1.${Math.floor(at / 250) % 250}.${(at % 250) + 1}`
  const socket = connect({ port, host: '127.0.0.1', localAddress: from })
  const begun = performance.now()
  let dropped = false
  let first
  let last
  let whole
  let got = 0
  seen.begun += 1
  socket.setTimeout(PATIENCE_MS, () => socket.destroy())
  socket.on('connect', () => {
    dropped = performance.now() - begun >= 1_000
    if (dropped) seen.dropped += 1
    socket.write(`GET ${path} HTTP/1.0\r\n\r\n`)
  })
  socket.on('data', (chunk) => {
    if (first === undefined) {
      first = performance.now()
      if (!dropped) seen.firstByte.push(first - begun)
      const head = chunk.subarray(0, chunk.indexOf('\r\n\r\n') + 4).toString('latin1')
      if (!head.includes(' 200 ')) seen.refused += 1
      else whole = head.length + bytes
    }
    got += chunk.length
    if (got === whole) last = performance.now()
  })
  socket.on('end', () => {
    if (last !== undefined) seen.endOfStream.push(performance.now() - last)
    if (got === whole) seen.complete += 1
    socket.end()
  })
  socket.on('error', () => undefined)
}

console.log('begun')
for (let at = 0; ; at += 1) {
  pull(at)
  await wait(EVERY_MS)
}
