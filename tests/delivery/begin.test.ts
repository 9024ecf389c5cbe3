/** What happens between admission and the first byte, while the file of an image is being opened. */
import { expect, test } from 'vitest'
import type { OpenedVersion } from '../../server/delivery/blocks.ts'
import { type Asked, type BodyPlan, createDelivery } from '../../server/delivery/delivery.ts'
import { isFetchproofError } from '../../server/errors.ts'
import type { NewEntry } from '../../server/ledger/entries.ts'
import type { ReadyImage } from '../../server/staging/image.ts'
import { recorded } from '../ledger/recorded.ts'

const IMAGE = {
  name: 'branch-switch.bin',
  plainPath: 'branch-switch.bin',
  bytes: 10,
  state: 'ready',
  version: { sha256: 'a'.repeat(64), bytes: 10 },
} as unknown as ReadyImage

const PLAN: BodyPlan = { status: 200, first: 0, promised: 10 }

const asked = (lastOctet: number): Asked => ({
  client: { address: `192.0.2.${lastOctet}`, port: 4_000 },
  localAddress: '192.0.2.1',
  method: 'GET',
  target: '/branch-switch.bin',
  httpVersion: '1.1',
  door: 'http',
})

/** A delivery whose files open when told. */
function slowToOpen({ maxFetches = 512, clientKey = (address: string) => address, explained = false } = {}) {
  const entries: NewEntry[] = []
  const opening: (() => void)[] = []
  let released = 0
  let ready = true
  let ids = 0
  const opened = { version: IMAGE.version, release: () => (released += 1) } as unknown as OpenedVersion
  const delivery = createDelivery({
    ledger: {
      append: (entry: NewEntry) => {
        entries.push(entry)
        return recorded(entry, entries.length)
      },
      nextFetchId: () => (ids += 1),
    } as never,
    blocks: { open: () => new Promise((resolve) => opening.push(() => resolve(opened))) },
    limits: { maxFetches, maxFetchesPerClient: 16, stalledMs: 10_000, pauseMs: 900_000, lingerMs: 1_000 },
    sendQueues: { supported: false } as never,
    macOf: () => undefined,
    parts: { keyOf: ({ address }) => clientKey(address), explained: () => explained },
    isPlanned: () => false,
    stillReady: () => ready,
    clock: () => performance.now(),
    onFault: () => undefined,
    onUnrecorded: () => undefined,
  })
  return {
    delivery,
    entries,
    open() {
      for (const act of opening.splice(0)) act()
    },
    hold: () => (ready = false),
    released: () => released,
  }
}

const codeOf = (promise: Promise<unknown>): Promise<unknown> =>
  promise.then(
    () => 'begun',
    (error: unknown) => (isFetchproofError(error) ? error.code : error),
  )

test('an image that is held while its file is being opened is not begun, and its file is let go', async () => {
  const { delivery, entries, open, hold, released } = slowToOpen()
  const begun = codeOf(delivery.begin(asked(2), IMAGE, PLAN))
  hold()
  open()
  expect(await begun).toBe('FP_IMAGE_NOT_READY')
  expect(entries).toEqual([])
  expect(released()).toBe(1)
})

test('a delivery that is closed while a file is being opened begins nothing more', async () => {
  const { delivery, entries, open, released } = slowToOpen()
  const begun = codeOf(delivery.begin(asked(2), IMAGE, PLAN))
  delivery.close('the server was told to stop')
  open()
  expect(await begun).toBe('FP_BUSY')
  expect(entries).toEqual([])
  expect(released()).toBe(1)
  expect(await codeOf(delivery.begin(asked(3), IMAGE, PLAN))).toBe('FP_BUSY')
})

test('those whose file is being opened have a place already: --max-fetches holds for requests at one moment', async () => {
  const { delivery, open } = slowToOpen({ maxFetches: 2 })
  const all = [2, 3, 4, 5].map((octet) => codeOf(delivery.begin(asked(octet), IMAGE, PLAN)))
  open()
  expect(await Promise.all(all)).toEqual(['begun', 'begun', 'FP_BUSY', 'FP_BUSY'])
  delivery.close('the test is over')
})

test('a place is free again when the file could not be opened', async () => {
  const { delivery, open, hold } = slowToOpen({ maxFetches: 1 })
  const first = codeOf(delivery.begin(asked(2), IMAGE, PLAN))
  hold()
  open()
  expect(await first).toBe('FP_IMAGE_NOT_READY')
  const second = codeOf(delivery.begin(asked(3), IMAGE, PLAN))
  open()
  expect(await second).toBe('FP_IMAGE_NOT_READY')
  delivery.close('the test is over')
})

test('a hardware address that became known after a fetch began counts for who moves beside it', async () => {
  const keys = new Map([['192.0.2.2', '192.0.2.2']])
  const { delivery, entries, open } = slowToOpen({ clientKey: (address) => keys.get(address) ?? address })
  const first = delivery.begin(asked(2), IMAGE, PLAN)
  open()
  await first
  keys.set('192.0.2.2', '00:00:5e:00:53:02')
  keys.set('192.0.2.3', '00:00:5e:00:53:02')
  const second = delivery.begin(asked(3), IMAGE, PLAN)
  open()
  await second
  expect(entries.map((entry) => entry.kind === 'fetch-begun' && entry.beside)).toEqual([undefined, 1])
  delivery.close('the test is over')
})
