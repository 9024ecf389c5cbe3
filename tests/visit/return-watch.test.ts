import { once } from 'node:events'
import type { AddressInfo } from 'node:net'
import { createServer } from 'node:net'
import { expect, it, onTestFinished } from 'vitest'
import { createReturnWatch, type Probe, probeByConnecting } from '../../server/visit/return-watch.ts'

const DESK = { address: '192.0.2.10', device: 'desk' }

/** Looked at by hand; each look takes a second of the clock and answers what is next. */
function watching(probes: readonly Probe[], notBackMs = 60_000) {
  let now = 0
  const asked: string[] = []
  const told: string[] = []
  const left = [...probes]
  const watch = createReturnWatch({
    port: 22,
    everyMs: 3_600_000,
    notBackMs,
    clock: () => now,
    probe: async (address, port) => {
      asked.push(`${address}:${port}`)
      now += 1_000
      return left.shift() ?? 'silent'
    },
    onDark: ({ device }) => told.push(`${device} dark`),
    onBack: ({ device }, darkMs) => told.push(`${device} back after ${darkMs}`),
    onOverdue: ({ device }) => told.push(`${device} overdue`),
  })
  onTestFinished(() => watch.close())
  async function looks(): Promise<string[]> {
    for (const _ of probes) await watch.look()
    return told
  }
  return { watch, looks, asked, told }
}

it('connects to nobody who has not pulled', async () => {
  const { watch, asked } = watching(['open'])
  await watch.look()
  expect(asked).toEqual([])
})

it('sees a device go dark and answer again, and then leaves it alone', async () => {
  const { watch, looks, asked } = watching(['open', 'silent', 'silent', 'silent', 'open', 'open'])
  watch.pulled(DESK)
  expect(await looks()).toEqual(['desk dark', 'desk back after 3000'])
  expect(asked).toEqual(Array.from({ length: 5 }, () => '192.0.2.10:22'))
})

it('does not take one lost packet for a restart', async () => {
  const { watch, looks, asked } = watching(['open', 'silent', 'open', 'silent', 'open'])
  watch.pulled(DESK)
  expect(await looks()).toEqual([])
  expect(asked).toHaveLength(5)
})

it('waits for the port itself where it was open before: a refusal is a device that is still starting', async () => {
  const { watch, looks } = watching(['open', 'refused', 'refused', 'refused', 'open'])
  watch.pulled(DESK)
  expect(await looks()).toEqual(['desk dark', 'desk back after 3000'])
})

it('takes any answer where the port was closed before', async () => {
  const { watch, looks } = watching(['refused', 'silent', 'silent', 'refused'])
  watch.pulled(DESK)
  expect(await looks()).toEqual(['desk dark', 'desk back after 2000'])
})

it('does not claim to have seen one go dark that was silent from the first look', async () => {
  const { watch, looks } = watching(['silent', 'silent', 'silent', 'open'])
  watch.pulled(DESK)
  expect(await looks()).toEqual(['desk back after 3000'])
})

it('tells once that a device is not back', async () => {
  const { watch, looks } = watching(['open', 'silent', 'silent', 'silent', 'silent', 'silent', 'open'], 2_500)
  watch.pulled(DESK)
  expect(await looks()).toEqual(['desk dark', 'desk overdue', 'desk back after 5000'])
})

it('tells an open port from a closed one by connecting, and sends nothing', async () => {
  const received: Buffer[] = []
  const server = createServer((socket) =>
    socket.on('data', (data) => received.push(data)).on('error', () => undefined),
  )
  server.listen(0, '127.0.0.1')
  await once(server, 'listening')
  const { port } = server.address() as AddressInfo
  expect(await probeByConnecting('127.0.0.1', port)).toBe('open')
  server.close()
  await once(server, 'close')
  expect(await probeByConnecting('127.0.0.1', port)).toBe('refused')
  expect(received).toEqual([])
})
