// A process of its own that reads by TFTP (RFC 1350, 2347, 2348, 7440): argv = port, name, clients, blksize, windowsize,
// mode. Modes: `whole` reads to the end; `paused` takes the first window, answers nothing and waits until its input ends.
// Prints one JSON line when done: { bytes, seconds } or { open }.
import { createSocket } from 'node:dgram'

const [, , port, name, clients, blksize, windowsize, mode] = process.argv
const [blockBytes, windowBlocks] = [Number(blksize), Number(windowsize)]
const OACK = 6
const DATA = 3
const AGAIN_MS = 500

function request() {
  const strings = [name, 'octet', 'blksize', blksize, 'windowsize', windowsize]
  return Buffer.concat([Buffer.from([0, 1]), Buffer.from(strings.map((each) => `${each}\0`).join(''))])
}

function read() {
  return new Promise((done, failed) => {
    const socket = createSocket('udp4')
    let peer = Number(port)
    let expected = 1
    let inWindow = 0
    let bytes = 0
    let heardAt = performance.now()
    const send = (packet) => socket.send(packet, peer, '127.0.0.1')
    const acknowledge = () => {
      inWindow = 0
      const block = (expected - 1) & 0xffff
      send(Buffer.from([0, 4, block >> 8, block & 0xff]))
    }
    const end = (result) => {
      clearInterval(timer)
      socket.close()
      done(result)
    }
    const timer = setInterval(() => {
      if (performance.now() - heardAt < AGAIN_MS) return
      // Of hundreds of requests at once the system drops some.
      if (peer === Number(port)) send(request())
      else if (mode !== 'paused') acknowledge()
    }, AGAIN_MS)
    socket.on('message', (packet, from) => {
      heardAt = performance.now()
      peer = from.port
      if (packet[1] === OACK) return acknowledge()
      if (packet[1] !== DATA) return failed(new Error(packet.toString('latin1', 4)))
      if (packet.readUInt16BE(2) !== (expected & 0xffff)) return
      expected += 1
      inWindow += 1
      bytes += packet.length - 4
      if (packet.length - 4 < blockBytes) {
        acknowledge()
        // Its last packet leaves before it does.
        socket.send(Buffer.alloc(0), 9, '127.0.0.1', () => end(bytes))
      } else if (inWindow === windowBlocks) {
        if (mode !== 'paused') acknowledge()
        else if (expected === windowBlocks + 1) done(socket)
      }
    })
    send(request())
  })
}

const begun = performance.now()
const all = await Promise.all(Array.from({ length: Number(clients) }, read))
if (mode === 'paused') {
  console.log(JSON.stringify({ open: all.length }))
  process.stdin.resume()
  process.stdin.on('end', () => process.exit(0))
} else {
  const seconds = (performance.now() - begun) / 1000
  console.log(JSON.stringify({ bytes: all.reduce((sum, bytes) => sum + bytes, 0), seconds }))
}
