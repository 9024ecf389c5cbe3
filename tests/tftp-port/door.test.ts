/** The TFTP door over loopback: right bytes, endings, refusals, and what it does not send. */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { describe, expect, onTestFinished, test, vi } from 'vitest'
import { FetchproofError } from '../../server/errors.ts'
import { imageBytes, putFile } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { ack, error, errorIn, openDoor, optionsIn, pull, rawClient, request } from './door.ts'

const BYTES = 100_000
const desk = imageBytes(BYTES, 'desk')

test('right bytes, one complete pull each, and the options that were agreed on record', async () => {
  const door = await openDoor({ 'desk.bin': desk }, onTestFinished)
  const asked = [
    {},
    { blksize: 1468 },
    { blksize: 65_464, windowsize: 65_535, tsize: 0, timeout: 2 },
    { windowsize: 16 },
  ]
  for (const options of asked) {
    const pulled = await pull(door, 'desk.bin', { options })
    expect(pulled.bytes.equals(desk)).toBe(true)
    const ended = await door.ended(pulled.port)
    expect(ended).toMatchObject({
      ending: 'delivered',
      acknowledged: true,
      bytesHandedOver: BYTES,
      resent: 0,
    })
    const begun = await door.entry('fetch-begun', ({ client }) => client.port === pulled.port)
    expect(begun).toMatchObject({ door: 'tftp', target: 'desk.bin', first: 0, promised: BYTES })
    expect(begun.options).toEqual(pulled.options)
    for (const name of Object.keys(pulled.options)) expect(Object.keys(options)).toContain(name)
    expect(begun.method ?? begun.status ?? begun.httpVersion).toBeUndefined()
  }
  expect(door.depot.pulls.pulls().map(({ state }) => state)).toEqual(asked.map(() => 'complete'))
  expect(door.faults).toEqual([])
})

test('no value is raised: a small block stays small, a large one is cut to what fits', async () => {
  const door = await openDoor({ 'desk.bin': desk }, onTestFinished)
  const small = await pull(door, 'desk.bin', { options: { blksize: 8, windowsize: 2, tsize: 0, other: 1 } })
  expect(small.options).toEqual({ blksize: '8', windowsize: '2', tsize: String(BYTES) })
  const large = await pull(door, 'desk.bin', { options: { blksize: 65_464, windowsize: 500 } })
  expect(Number(large.options.blksize)).toBeLessThanOrEqual(65_464)
  expect(Number(large.options.windowsize)).toBeLessThanOrEqual(64)
  expect(large.bytes.equals(desk)).toBe(true)
})

test('names as HTTP takes them: a slash or none, backslashes, the digest path, the original name', async () => {
  const door = await openDoor({ 'core switch 4.2.bin': desk }, onTestFinished)
  const { digestPath, plainPath } = await door.entry('image')
  for (const name of [
    plainPath,
    plainPath.slice(1),
    `\\${plainPath.slice(1)}`,
    digestPath,
    'core switch 4.2.bin',
  ]) {
    expect((await pull(door, name)).bytes.equals(desk), name).toBe(true)
  }
})

test('an empty image, a block exactly, and checksum files come as they are', async () => {
  const block = imageBytes(512, 'block')
  const door = await openDoor({ 'block.bin': block, 'empty.bin': Buffer.alloc(0) }, onTestFinished, {
    list: true,
  })
  door.depot.lift('empty.bin', 'the test wants it')
  expect((await pull(door, 'block.bin')).bytes.equals(block)).toBe(true)
  expect(await pull(door, 'empty.bin', { options: { tsize: 0 } })).toMatchObject({
    done: true,
    options: { tsize: '0' },
  })
  const { sha256 } = await door.entry('image', ({ name }) => name === 'block.bin')
  expect((await pull(door, '/block.bin.sha256')).bytes.toString()).toBe(`${sha256}  block.bin\n`)
  expect((await pull(door, 'SHA256SUMS', { options: { blksize: 8 } })).bytes.toString()).toContain(sha256)
  expect(door.depot.pulls.pulls()).toHaveLength(1)
})

test('what is refused gets one legible ERROR and stands on record', async () => {
  const door = await openDoor({ 'desk.bin': desk, 'held.bin': desk.subarray(1) }, onTestFinished)
  door.depot.hold('held.bin', 'a newer one is expected')
  const cases: [Buffer, { code: number; text: RegExp; reason: RegExp; denial?: string }][] = [
    [
      request('other.bin'),
      { code: 1, text: /no image of that name/, reason: /no image/, denial: 'unknown name' },
    ],
    [
      request('held.bin'),
      { code: 2, text: /^held\.bin is held: .*a newer one is expected/, reason: /is held/, denial: 'held' },
    ],
    [request('desk.bin', {}, 'octet', 2), { code: 2, text: /nothing can be written/, reason: /only read/ }],
    [request('desk.bin', {}, 'netascii'), { code: 4, text: /octet/, reason: /change the bytes/ }],
    [request('DESK.BIN', {}, 'mail'), { code: 4, text: /octet/, reason: /change the bytes/ }],
    [Buffer.from([0, 9, 1, 2]), { code: 4, text: /unknown opcode 9/, reason: /unknown opcode/ }],
    [Buffer.from('\0\x01desk.bin'), { code: 4, text: /closing zero/, reason: /closing zero/ }],
    [ack(1), { code: 5, text: /of no transfer/, reason: /ACK of no transfer/ }],
  ]
  for (const [packet, { code, text, reason, denial }] of cases) {
    const client = await rawClient(onTestFinished)
    client.send(packet, door.port)
    const told = errorIn(await client.next())
    expect(told.code).toBe(code)
    expect(told.text).toMatch(text)
    expect(told.text).toMatch(/^[\x20-\x7e]{1,79}$/)
    const refused = await door.refused(client.port)
    expect(refused).toMatchObject({ door: 'tftp', status: code, reason: expect.stringMatching(reason) })
    expect(refused.denial).toBe(denial)
  }
  expect(door.entries.some(({ kind }) => kind === 'fetch-begun')).toBe(false)
})

test('who is not allowed gets no packet at all, and stands on record', needs('Linux'), async () => {
  const door = await openDoor({ 'desk.bin': desk }, onTestFinished, { allow: ['127.0.0.1/32'] })
  const stranger = await rawClient(onTestFinished, '127.0.0.9')
  for (const packet of [
    request('desk.bin'),
    request('desk.bin', {}, 'octet', 2),
    Buffer.from([0, 9]),
    ack(3),
  ])
    stranger.send(packet, door.port)
  const { status, denial, hint } = await door.refused(stranger.port)
  expect({ status, denial }).toEqual({ status: undefined, denial: 'not allowed' })
  expect(hint).toMatch(/--allow 127\.0\.0\.9\/32/)
  // What was asked later by another one is answered already.
  expect((await pull(door, 'desk.bin')).done).toBe(true)
  expect(stranger.came).toEqual([])
})

test('the client says that its disk is full: cut, with its own words, also where all was sent', async () => {
  const small = imageBytes(300, 'small')
  const door = await openDoor({ 'desk.bin': desk, 'small.bin': small }, onTestFinished)
  for (const name of ['desk.bin', 'small.bin']) {
    const client = await rawClient(onTestFinished)
    client.send(request(name), door.port)
    const first = await client.next()
    client.send(error(3, 'no space on flash'), first.port)
    expect(await door.ended(client.port)).toMatchObject({
      ending: 'cut',
      reason: 'the client sent error 3: no space on flash',
    })
  }
  expect(door.depot.pulls.pulls().map(({ state }) => state)).toEqual(['incomplete', 'incomplete'])
})

test('a client that asks for the length alone leaves headers, and no pull', async () => {
  const door = await openDoor({ 'desk.bin': desk }, onTestFinished)
  const client = await rawClient(onTestFinished)
  client.send(request('desk.bin', { tsize: 0 }), door.port)
  const first = await client.next()
  expect(optionsIn(first)).toEqual({ tsize: String(BYTES) })
  client.send(error(8, 'enough'), first.port)
  expect(await door.ended(client.port)).toMatchObject({ ending: 'headers-only', bytesHandedOver: 0 })
  expect(door.depot.pulls.pulls()).toEqual([])
})

test('what comes from another port gets ERROR 5 once, and the transfer lives', needs('Linux'), async () => {
  const door = await openDoor({ 'desk.bin': imageBytes(700, 'short') }, onTestFinished)
  const client = await rawClient(onTestFinished)
  const neighbour = await rawClient(onTestFinished)
  const elsewhere = await rawClient(onTestFinished, '127.0.0.9')
  client.send(request('desk.bin'), door.port)
  const first = await client.next()
  for (const stray of [neighbour, elsewhere, neighbour]) stray.send(ack(1), first.port)
  expect(errorIn(await neighbour.next())).toMatchObject({ code: 5 })
  client.send(ack(1), first.port)
  const second = await client.next()
  expect(second).toMatchObject({ port: first.port, bytes: { length: 4 + 700 - 512 } })
  client.send(ack(2), first.port)
  expect((await door.ended(client.port)).ending).toBe('delivered')
  expect([neighbour.came.length, elsewhere.came.length]).toEqual([1, 0])
})

test('a request that comes twice begins one transfer; another one from the same port ends it', async () => {
  const door = await openDoor({ 'desk.bin': desk, 'other.bin': desk.subarray(1) }, onTestFinished)
  const client = await rawClient(onTestFinished)
  for (let copy = 0; copy < 3; copy += 1) client.send(request('desk.bin'), door.port)
  const first = await client.next()
  client.send(ack(1), first.port)
  expect(await client.next()).toMatchObject({ port: first.port })
  client.send(request('other.bin'), door.port)
  const other = await client.next()
  expect(other.port).not.toBe(first.port)
  expect(await door.ended(client.port)).toMatchObject({
    ending: 'cut',
    reason: 'the client sent another request from the same port',
  })
  await door.entry('fetch-begun', ({ target }) => target === 'other.bin')
  expect(door.entries.filter(({ kind }) => kind === 'fetch-begun')).toHaveLength(2)
})

test('an image that is held, or changes, under way: ERROR with the reason, withdrawn', async () => {
  const door = await openDoor({ 'desk.bin': desk, 'panel.bin': desk.subarray(1) }, onTestFinished)
  const [one, two] = [await rawClient(onTestFinished), await rawClient(onTestFinished)]
  one.send(request('desk.bin'), door.port)
  two.send(request('panel.bin'), door.port)
  await Promise.all([one.next(), two.next()])
  door.depot.hold('desk.bin', 'the wrong one')
  putFile(door.folder, 'panel.bin', imageBytes(5_000, 'another'))
  expect(errorIn(await one.next())).toEqual({ code: 0, text: 'the image was held' })
  expect(errorIn(await two.next()).text).toMatch(/bytes on disk/)
  for (const { port } of [one, two]) expect((await door.ended(port)).ending).toBe('withdrawn')
})

test('a checksum file that could not be put on record left the port of its transfer open', async () => {
  const door = await openDoor({ 'desk.bin': desk }, onTestFinished)
  const open = (): number => process.getActiveResourcesInfo().filter((each) => each === 'UDPWrap').length
  const client = await rawClient(onTestFinished)
  const before = open()
  const append = vi.spyOn(door.depot.ledger, 'append').mockImplementation(() => {
    throw new FetchproofError('FP_LEDGER_UNWRITABLE', { folder: door.folder, cause: 'EROFS' })
  })
  client.send(request('desk.bin.sha256'), door.port)
  expect(errorIn(await client.next())).toMatchObject({
    code: 0,
    text: expect.stringMatching(/ledger cannot be written/),
  })
  append.mockRestore()
  await expect.poll(open).toBe(before)
})

test('only what the visit sheet plans, where that is asked for', async () => {
  const door = await openDoor({ 'desk.bin': desk, 'other.bin': desk.subarray(1) }, onTestFinished, {
    onlyPlanned: true,
  })
  writeFileSync(join(door.folder, 'visit.csv'), 'device,address,image\nharrowick-sw1,127.0.0.1,other.bin\n')
  await door.entry('sheet')
  expect((await pull(door, 'other.bin')).done).toBe(true)
  expect((await pull(door, 'desk.bin')).refused).toMatchObject({ code: 2 })
  expect(await door.entry('fetch-refused')).toMatchObject({ denial: 'not planned', status: 2 })
})

test('all places are taken, or the server stops: ERROR 0, so that the client comes again', async () => {
  const door = await openDoor({ 'desk.bin': desk }, onTestFinished, { maxFetches: 1, maxFetchesPerClient: 1 })
  const first = await rawClient(onTestFinished)
  first.send(request('desk.bin'), door.port)
  await first.next()
  expect((await pull(door, 'desk.bin')).refused).toMatchObject({
    code: 0,
    text: /No place for one more fetch/,
  })
  door.depot.admission.stop()
  expect((await pull(door, 'desk.bin')).refused).toEqual({ code: 0, text: 'the server is being stopped.' })
})

describe.concurrent('what takes its time', () => {
  test('an address that never answers gets five packets of one block at most; cut, or unconfirmed when it was all', async ({
    onTestFinished,
  }) => {
    const small = imageBytes(300, 'small')
    const door = await openDoor({ 'desk.bin': desk, 'small.bin': small }, onTestFinished)
    const clients = await Promise.all([1, 2, 3].map(() => rawClient(onTestFinished)))
    const [large, whole, asking] = clients
    large?.send(request('desk.bin'), door.port)
    whole?.send(request('small.bin'), door.port)
    asking?.send(request('desk.bin', { blksize: 1468, windowsize: 64 }), door.port)
    const ends = await Promise.all(clients.map(({ port }) => door.ended(port)))
    expect(ends.map(({ ending, bytesHandedOver }) => [ending, bytesHandedOver])).toEqual([
      ['cut', 512],
      ['unconfirmed', 300],
      ['cut', 0],
    ])
    for (const { came } of clients) {
      expect(came).toHaveLength(5)
      for (const { bytes } of came) expect(bytes.length).toBeLessThanOrEqual(516)
      expect(new Set(came.map(({ bytes }) => bytes.toString('latin1'))).size).toBe(1)
    }
  }, 60_000)

  test('40 pulls at once over real sockets that lose, double and delay up to a fifth: right bytes, no false delivered', async ({
    onTestFinished,
  }) => {
    const images = Object.fromEntries(
      [0, 300, 512, 15_000, 30_001].map((bytes) => [`${bytes}.bin`, imageBytes(bytes)]),
    )
    const door = await openDoor(images, onTestFinished)
    door.depot.lift('0.bin', 'the test wants it')
    const pulls = await Promise.all(
      Array.from({ length: 40 }, async (_, at) => {
        const name = Object.keys(images)[at % 5] ?? ''
        const share = (at % 8) / 35
        const options = at % 3 === 0 ? {} : { blksize: at % 2 === 0 ? 512 : 1024, windowsize: 1 + (at % 7) }
        const weather = { lost: share, doubled: share, late: share, delayMs: at % 10 }
        return { name, pulled: await pull(door, name, { options, weather, seed: at + 1 }) }
      }),
    )
    // Where a last acknowledgement was lost the door would repeat itself for 50 s.
    await door.close()
    const endings = new Map(
      door.entries.flatMap((entry) => (entry.kind === 'fetch-ended' ? [[entry.id, entry.ending]] : [])),
    )
    let delivered = 0
    for (const { name, pulled } of pulls) {
      const image = images[name] ?? Buffer.alloc(0)
      expect(pulled.bytes.equals(image.subarray(0, pulled.bytes.length)), name).toBe(true)
      if (image.length === 0) continue
      const { id } = await door.entry('fetch-begun', ({ client }) => client.port === pulled.port)
      if (endings.get(id) === 'delivered') expect([name, pulled.done]).toEqual([name, true])
      if (endings.get(id) === 'delivered') delivered += 1
    }
    expect(delivered).toBeGreaterThan(24)
    expect(door.faults).toEqual([])
  }, 180_000)
})
