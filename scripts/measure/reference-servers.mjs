// The references, each in a process of its own: argv = kind, folder or file, more. Prints its port.
//   raw     a bare socket that writes a response from memory, so many bytes a write, without looking at the request
//   dgram   a bare loop that sends a file's blocks from memory, a socket a transfer, the next window for each ACK
//   static  plain @fastify/static with default options

import { createSocket } from 'node:dgram'
import { readFileSync } from 'node:fs'
import { createServer } from 'node:net'
import { join } from 'node:path'

const [kind, target] = process.argv.slice(2)

if (kind === 'raw') {
  const body = readFileSync(target)
  const head = Buffer.from(`HTTP/1.1 200 OK\r\nContent-Length: ${body.length}\r\nConnection: close\r\n\r\n`)
  const server = createServer((socket) => {
    socket.once('data', () => {
      socket.write(head)
      socket.end(body)
    })
    socket.on('error', () => socket.destroy())
  })
  server.listen(0, '127.0.0.1', () => console.log(server.address().port))
} else if (kind === 'dgram') {
  const files = new Map()
  const requests = createSocket('udp4')
  requests.on('message', (packet, { port }) => {
    const [name, , , blksize, , windowsize] = packet.toString('latin1', 2).split('\0')
    if (!files.has(name)) files.set(name, readFileSync(join(target, name)))
    sendBlocks(files.get(name), Number(blksize), Number(windowsize), port)
  })
  requests.bind(0, '127.0.0.1', () => console.log(requests.address().port))
} else {
  const { default: fastify } = await import('fastify')
  const { default: fastifyStatic } = await import('@fastify/static')
  const app = fastify()
  await app.register(fastifyStatic, { root: target })
  await app.listen({ port: 0, host: '127.0.0.1' })
  console.log(app.server.address().port)
}

function sendBlocks(image, blockBytes, windowBlocks, port) {
  const socket = createSocket('udp4')
  const last = Math.floor(image.length / blockBytes) + 1
  let acked = 0
  socket.on('message', (packet) => {
    if (packet[1] !== 4) return
    acked += (packet.readUInt16BE(2) - acked) & 0xffff
    if (acked === last) socket.close()
    for (let block = acked + 1; block <= Math.min(last, acked + windowBlocks) && acked < last; block += 1) {
      const head = Buffer.from([0, 3, (block >> 8) & 0xff, block & 0xff])
      const bytes = image.subarray((block - 1) * blockBytes, block * blockBytes)
      socket.send([head, bytes], port, '127.0.0.1')
    }
  })
  socket.bind(0, '127.0.0.1', () => {
    const options = `blksize\0${blockBytes}\0windowsize\0${windowBlocks}\0`
    socket.send(Buffer.concat([Buffer.from([0, 6]), Buffer.from(options)]), port, '127.0.0.1')
  })
}
