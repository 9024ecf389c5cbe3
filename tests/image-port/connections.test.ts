/** Connections that make room, before the request that was on its way is read. */
import { EventEmitter } from 'node:events'
import type { Server } from 'node:http'
import { Socket } from 'node:net'
import { expect, onTestFinished, test } from 'vitest'
import { createConnections } from '../../server/image-port/connections.ts'

test('a request that was on its way when its connection made room was recorded as pipelined too', () => {
  const dropped: (number | undefined)[] = []
  const connections = createConnections(
    { requestMs: 1_000, maxConnections: 1, waiting: () => 0, after: () => () => undefined },
    { dropped: (_connection, _reason, status) => void dropped.push(status) },
  )
  const server = new EventEmitter()
  connections.attach(server as unknown as Server)
  const sockets = [new Socket(), new Socket()]
  onTestFinished(() => {
    for (const socket of sockets) socket.destroy()
  })
  for (const socket of sockets) server.emit('connection', socket)
  const [first, second] = sockets.map((socket) => connections.of(socket))
  expect(dropped).toEqual([503])
  expect([first?.busy, second?.busy]).toEqual([true, false])
  expect(first?.pipelined()).toBe(false)
})
