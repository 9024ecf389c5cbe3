/** Who goes on from byte K gives up its older fetch, and nobody else's: several devices may stand behind one address. */
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { expect, onTestFinished, test } from 'vitest'
import { shown } from '../faults/bench.ts'
import { ask, exchange, request } from './raw-client.ts'
import { imageBytes, serveFilesHere, sha256 } from './served.ts'

const KIB = 1024
const STALLED_MS = 300
const flags = ['--stalled-ms', String(STALLED_MS)]

test('a device that erases its flash is not reset by the resume of another behind its address', async () => {
  const image = imageBytes(100 * KIB)
  const served = await serveFilesHere({ 'core.bin': image }, { cleanUp: onTestFinished, flags })
  const erasing = await ask(served.port, '/core.bin')
  onTestFinished(() => erasing.reset())
  await erasing.readBody(image.length)
  const other = await ask(served.port, '/core.bin')
  await other.readBody(50 * KIB)
  await other.reset()
  await served.ended(other.port)
  // It holds all and does not move: no event tells that time has passed.
  await pause(STALLED_MS * 2)
  const resumed = await exchange(served.port, request('/core.bin', [`Range: bytes=${50 * KIB}-`]))
  expect(resumed.client.body().equals(image.subarray(50 * KIB))).toBe(true)
  await served.ended(resumed.client.port)
  await erasing.halfClose()
  expect((await served.ended(erasing.port)).ending).toBe('delivered')
  expect(erasing.bodySha256()).toBe(sha256(image))
})

test('a stalled fetch that nothing else explains is given up for the resume', async () => {
  const image = imageBytes(32 * 1024 * KIB)
  const served = await serveFilesHere({ 'core.bin': image }, { cleanUp: onTestFinished, flags })
  const stalled = await ask(served.port, '/core.bin')
  onTestFinished(() => stalled.reset())
  await stalled.readBody(100 * KIB)
  await shown(join(served.folder, '.fetchproof'), ({ underWay }) =>
    underWay.some(({ movement }) => movement === 'stalled'),
  )
  await exchange(served.port, request('/core.bin', [`Range: bytes=${100 * KIB}-`]))
  expect(await served.ended(stalled.port)).toMatchObject({
    ending: 'withdrawn',
    reason: `the client went on from byte ${100 * KIB} on a new connection`,
  })
})
