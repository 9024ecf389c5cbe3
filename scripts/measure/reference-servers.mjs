// The references, each in a process of its own: argv = kind, folder or file, more. Prints its port.
//   raw     a bare socket that writes a response from memory, so many bytes a write, without looking at the request
//   unverified  a bare socket that reads a file of a folder and sends it, without looking at the bytes
//   dgram   a bare loop that sends a file's blocks from memory, a socket a transfer, the next window for each ACK
//   static  plain @fastify/static with default options

import { createSocket } from 'node:dgram'
import { readFileSync } from 'node:fs'
import { createServer } from 'node:net'
import { join } from 'node:path'

const [kind, target, more] = process.argv.slice(2)
const MEBIBYTE = 1024 * 1024

if (kind === 'raw') {
  const body = readFileSync(target)
  const writeBytes = Number(more)
  const head = Buffer.from(`HTTP/1.1 200 OK\r\nContent-Length: ${body.length}\r\nConnection: close\r\n\r\n`)
  const server = createServer((socket) => {
    const writeFrom = (at) => {
      const piece = body.subarray(at, at + writeBytes)
      if (at + writeBytes >= body.length) socket.end(piece)
      else socket.write(piece, () => writeFrom(at + writeBytes))
    }
    socket.once('data', () => {
      socket.write(head)
      writeFrom(0)
    })
    socket.on('error', () => socket.destroy())
  })
  server.listen(0, '127.0.0.1', () => console.log(server.address().port))
} else if (kind === 'unverified') {
  // Reads as it sends, 1 MiB at a time with the next one read ahead, and looks at nothing.
  const { open } = await import('node:fs/promises')
  const server = createServer((socket) => {
    socket.on('error', () => socket.destroy())
    socket.once('data', async (request) => {
      const file = await open(join(target, request.toString('latin1').split(' ')[1]))
      const { size } = await file.stat()
      socket.write(`HTTP/1.1 200 OK\r\nContent-Length: ${size}\r\nConnection: close\r\n\r\n`)
      const read = (at) => file.read(Buffer.allocUnsafe(Math.min(MEBIBYTE, size - at)), { position: at })
      let next = read(0)
      for (let at = 0; at < size; ) {
        const { buffer, bytesRead } = await next
        at += bytesRead
        if (at < size) next = read(at)
        await new Promise((taken) => socket.write(buffer.subarray(0, bytesRead), taken))
      }
      socket.end()
      await file.close()
    })
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
