/** The running whole, seen from outside: what a change of the folder does to fetches. */
import { expect, onTestFinished, test } from 'vitest'
import { ask } from '../clients/raw-client.ts'
import { imageBytes, putFile, serveFilesHere, sha256 } from '../clients/served.ts'

const BYTES = 300 * 1024

test('an image replaced while a device, holding all of it, has yet to close: delivered, and no reset', async () => {
  const served = await serveFilesHere(
    { 'panel.bin': imageBytes(BYTES, 'first') },
    { cleanUp: onTestFinished },
  )
  const client = await ask(served.port, '/panel.bin')
  onTestFinished(() => client.reset())
  expect(await client.readToEnd()).toBe('closed')
  const second = imageBytes(BYTES, 'second')
  putFile(served.folder, 'panel.bin', second)
  await served.image('panel.bin', sha256(second))
  await client.close()
  expect(await served.ended(client.port)).toMatchObject({ ending: 'delivered', bytesHandedOver: BYTES })
})

test('an image replaced while a device still reads: withdrawn, and the device sees a reset', async () => {
  const large = 32 * 1024 * 1024
  const served = await serveFilesHere(
    { 'panel.bin': imageBytes(large, 'first') },
    { cleanUp: onTestFinished },
  )
  const client = await ask(served.port, '/panel.bin')
  onTestFinished(() => client.reset())
  await client.readBody(100 * 1024)
  const second = imageBytes(BYTES, 'second')
  putFile(served.folder, 'panel.bin', second)
  await served.image('panel.bin', sha256(second))
  expect(await client.readToEnd()).toBe('reset')
  const ended = await served.ended(client.port)
  expect(ended.ending).toBe('withdrawn')
  expect(ended.bytesHandedOver).toBeLessThan(large)
})
