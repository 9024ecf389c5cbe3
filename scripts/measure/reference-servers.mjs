// The two references, each in a process of its own: argv = kind, folder or file. Prints its port.
//   raw     a bare socket that writes a response from memory, without looking at the request
//   static  plain @fastify/static with default options
import { readFileSync } from 'node:fs'
import { createServer } from 'node:net'

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
} else {
  const { default: fastify } = await import('fastify')
  const { default: fastifyStatic } = await import('@fastify/static')
  const app = fastify()
  await app.register(fastifyStatic, { root: target })
  await app.listen({ port: 0, host: '127.0.0.1' })
  console.log(app.server.address().port)
}
