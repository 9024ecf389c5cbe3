/** An image of 10 GiB, more than any memory here and than 32 bits: digested, served, and right near its end. */
import { spawnSync } from 'node:child_process'
import {
  closeSync,
  ftruncateSync,
  openSync,
  readSync,
  statfsSync,
  statSync,
  utimesSync,
  writeSync,
} from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { ask, exchange, parseHead, request } from '../clients/raw-client.ts'
import { imageBytes, serveFolder, stagingFolder } from '../clients/served.ts'
import { audit } from '../commands/in-process.ts'
import { needs } from '../needs.ts'
import { mostResidentBytes } from './process-figures.ts'

const GIB = 2 ** 30
const BYTES = 10 * GIB
const MARK = imageBytes(64 * 1024, 'near the end')
const MARK_AT = BYTES - 5 * MARK.length - 123
/** What it may take, whatever the image's size: 64 MiB of verified blocks, threads, the list of block digests. */
const MOST_RESIDENT = 450 * 2 ** 20

const { bavail, bsize } = statfsSync(tmpdir())
const { skip, meta } = needs('Linux', 'sha256sum')
const roomy = bavail * bsize > GIB

test('an image of 10 GiB is digested and served with bounded memory', {
  timeout: 900_000,
  skip: skip || !roomy,
  meta,
}, async () => {
  const folder = await stagingFolder({}, onTestFinished)
  const path = join(folder, 'huge.bin')
  const file = openSync(path, 'w+')
  // Sparse: the holes read as zeros and take no room. A byte at the front, so that it is of no known format.
  writeSync(file, Buffer.from([0x80, 0x12]), 0, 2, 0)
  writeSync(file, MARK, 0, MARK.length, MARK_AT)
  ftruncateSync(file, BYTES)
  closeSync(file)
  const before = Date.now() / 1000 - 3600
  utimesSync(path, before, before)
  expect(statSync(path).blocks * 512).toBeLessThan(GIB)

  const served = await serveFolder(folder, { cleanUp: onTestFinished })
  const image = await served.entry('image', ({ name }) => name === 'huge.bin', 600_000)
  expect(image.bytes).toBe(BYTES)
  // GNU coreutils as the outside check.
  expect(image.sha256).toBe(spawnSync('sha256sum', [path], { encoding: 'utf8' }).stdout.slice(0, 64))

  const range = `Range: bytes=${MARK_AT}-${MARK_AT + MARK.length - 1}`
  const near = await exchange(served.port, request('/huge.bin', [range]))
  const head = parseHead(near.raw)
  expect(head?.status).toBe(206)
  expect(head?.field('content-range')).toBe(`bytes ${MARK_AT}-${MARK_AT + MARK.length - 1}/${BYTES}`)
  expect(near.client.body().equals(MARK)).toBe(true)
  const rest = await exchange(served.port, request('/huge.bin', [`Range: bytes=${BYTES - 1000}-`]))
  expect(rest.client.body().equals(tailOf(path, 1000))).toBe(true)

  // The whole of it, too: counted and digested, not kept.
  const whole = await ask(served.port, '/huge.bin')
  onTestFinished(() => whole.reset())
  expect((await whole.head()).field('content-length')).toBe(String(BYTES))
  await untilHeld(whole, 2 * GIB + 1)
  await whole.reset()
  expect(await served.ended(whole.port)).toMatchObject({ ending: 'cut' })
  expect(mostResidentBytes(served.process.pid ?? 0)).toBeLessThan(MOST_RESIDENT)
  expect(await served.stop()).toBe(0)
  const { pulls, ledger } = await audit(folder)
  expect(ledger.intact).toBe(true)
  expect(pulls.map(({ image: { bytes } }) => bytes)).toContain(BYTES)
})

/** A client that reads past 2 GiB, a step at a time, since each step has its own deadline. */
async function untilHeld(client: Awaited<ReturnType<typeof ask>>, bytes: number): Promise<void> {
  const step = 128 * 2 ** 20
  for (let held = step; client.bodyBytes < bytes; held += step) await client.readBody(Math.min(held, bytes))
}

function tailOf(path: string, bytes: number): Buffer {
  const file = openSync(path, 'r')
  const tail = Buffer.alloc(bytes)
  readSync(file, tail, 0, bytes, BYTES - bytes)
  closeSync(file)
  return tail
}
