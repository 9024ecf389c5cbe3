/**
 * A server that breaks off while a rehearsal digests. undici 7.30 fails an assertion, in nobody's hands, where such a
 * body is paused: waiting for anything between two pieces does that.
 */
import { once } from 'node:events'
import { type AddressInfo, createServer } from 'node:net'
import { Agent } from 'undici'
import { expect, onTestFinished, test } from 'vitest'
import { createAsker } from '../../server/image-port/rehearsal-asking.ts'

const BODY = Buffer.alloc(2 * 1024 * 1024, 7)

/** Promises all of the body, sends so much of it, and is gone. */
async function brokenServer(sends: () => number): Promise<string> {
  const server = createServer((socket) => {
    socket.on('error', () => undefined)
    socket.once('data', () => {
      socket.write(`HTTP/1.1 200 OK\r\nContent-Length: ${BODY.length}\r\nConnection: close\r\n\r\n`)
      socket.write(BODY.subarray(0, sends()), () => setTimeout(() => socket.resetAndDestroy(), 10))
    })
  }).listen(0, '127.0.0.1')
  await once(server, 'listening')
  onTestFinished(() => void server.close())
  return `http://127.0.0.1:${(server.address() as AddressInfo).port}/`
}

test('a server that breaks off under a slow reader is a difference, and ends nothing else', async () => {
  let turn = 0
  const url = await brokenServer(() => Math.floor((BODY.length * (turn % 10)) / 10) + turn)
  const dispatcher = new Agent({ headersTimeout: 5_000, bodyTimeout: 5_000 })
  onTestFinished(() => dispatcher.destroy())
  const uncaught: unknown[] = []
  const take = (error: unknown) => void uncaught.push(error)
  process.on('uncaughtException', take)
  onTestFinished(() => void process.off('uncaughtException', take))
  const slowly = () => {
    const until = performance.now() + 2
    while (performance.now() < until);
  }
  for (; turn < 40; turn += 1) {
    const answer = await createAsker(url, { dispatcher, code: undefined }, slowly)('GET', {})
    expect(answer).toMatchObject({ status: 200, broke: expect.stringMatching(/./) })
    expect('bytes' in answer && answer.bytes).toBeLessThan(BODY.length)
  }
  expect(uncaught).toEqual([])
})
