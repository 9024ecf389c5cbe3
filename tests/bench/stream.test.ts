/** The event stream: everything first, then what changes, four times a second at most, and silence otherwise. */
import { subscribe, unsubscribe } from 'node:diagnostics_channel'
import { writeFile } from 'node:fs/promises'
import { connect, type Socket } from 'node:net'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { afterEach, expect, onTestFinished, test } from 'vitest'
import type { Snapshot, SnapshotChange } from '../../server/bench/snapshot-shape.ts'
import { change } from './asking.ts'
import { device, noise, type Running, startRunning } from './running.ts'

let run: Running
const streams: Stream[] = []

afterEach(async () => {
  for (const stream of streams.splice(0)) stream.close()
  await run.close()
})

interface Stream {
  readonly events: { part: SnapshotChange }[]
  /** Resolves with the first event, past or to come, that fits. */
  next(fits: (part: SnapshotChange) => boolean): Promise<SnapshotChange>
  /** Resolves with the beat of this number, from 1. */
  beat(nth: number): Promise<string>
  ended: Promise<void>
  close(): void
}

/** A reader of its own of WHATWG HTML §9.2.6, so that what is on the wire is looked at. */
async function listen(): Promise<Stream> {
  const abort = new AbortController()
  const response = await fetch(`${run.page}/api/stream`, { signal: abort.signal })
  expect(response.headers.get('content-type')).toBe('text/event-stream; charset=utf-8')
  expect(response.headers.get('content-security-policy')).toContain("default-src 'none'")
  const events: Stream['events'] = []
  const beats: string[] = []
  const wakers = new Set<() => void>()
  let end: () => void = () => undefined
  const ended = new Promise<void>((done) => {
    end = done
  })

  async function read(): Promise<void> {
    let text = ''
    const decoder = new TextDecoder()
    try {
      for await (const piece of response.body ?? []) {
        text += decoder.decode(piece, { stream: true })
        for (let cut = text.indexOf('\n\n'); cut !== -1; cut = text.indexOf('\n\n')) {
          const lines = text.slice(0, cut).split('\n')
          const name = lines.find((line) => line.startsWith('event: '))?.slice(7)
          const data = lines.find((line) => line.startsWith('data: '))?.slice(6)
          if (name !== undefined) beats.push(`${name} ${data}`)
          else if (data !== undefined) events.push({ part: JSON.parse(data) as SnapshotChange })
          text = text.slice(cut + 2)
          for (const wake of wakers) wake()
        }
      }
    } catch (error) {
      if (!abort.signal.aborted) throw error
    } finally {
      end()
    }
  }
  const reading = read()
  reading.catch(() => undefined)

  function when<T>(look: () => T | undefined): Promise<T> {
    return new Promise((found, failed) => {
      const deadline = setTimeout(() => failed(new Error(`nothing fits in ${events.length} events`)), 10_000)
      const wake = (): void => {
        const seen = look()
        if (seen === undefined) return
        clearTimeout(deadline)
        wakers.delete(wake)
        found(seen)
      }
      wakers.add(wake)
      wake()
    })
  }

  const stream: Stream = {
    events,
    next: (fits) => when(() => events.find(({ part }) => fits(part))?.part),
    beat: (nth) => when(() => beats[nth - 1]),
    ended,
    close: () => abort.abort(),
  }
  streams.push(stream)
  return stream
}

test('the first event is the whole snapshot, the same as is asked for once', async () => {
  run = await startRunning()
  await run.stage('desk.bin', 'bytes of an image')
  const stream = await listen()
  const first = await stream.next(() => true)
  const once = (await (await fetch(`${run.page}/api/snapshot`)).json()) as Snapshot
  expect(first).toEqual(once)
  expect(new Set(Object.keys(once))).toEqual(
    new Set([
      'addresses',
      'board',
      'remaining',
      'recorded',
      'fetches',
      'firewall',
      'images',
      'imagesInAll',
      'ledger',
      'nextSteps',
      'notOffered',
      'pasteLines',
      'program',
      'pulls',
      'pullsOver',
      'refusals',
      'troubles',
      'underWay',
      'unused',
      'wrongPulls',
    ]),
  )
})

test('later events carry only what changed', async () => {
  run = await startRunning()
  await run.stage('empty.bin', '')
  const stream = await listen()
  await stream.next(() => true)
  await change(run, '/api/lift', { name: 'empty.bin', reason: 'a marker file' })
  const later = await stream.next((part) => part.program === undefined && part.images?.[0]?.state === 'ready')
  expect(later.addresses).toBeUndefined()
  expect(later.images?.[0]?.lifted).toMatchObject({ reason: 'a marker file' })
})

test('nothing is sent while nothing changes, but a beat that a page can hear', async () => {
  run = await startRunning({ bench: { heartbeatMs: 150 }, settings: { rescanMs: 50 } })
  await run.stage('desk.bin', 'bytes of an image')
  await run.depot.ledger.synced()
  const stream = await listen()
  await stream.next(() => true)
  // What staging changed has been sent by then.
  expect(await stream.beat(8)).toBe('beat still here')
  const before = stream.events.length
  await stream.beat(16)
  expect(stream.events.length).toBe(before)
})

test('a storm of changes is gathered to four events a second', async () => {
  run = await startRunning()
  await run.stage('desk.bin', 'bytes of an image')
  const stream = await listen()
  await stream.next(() => true)
  const storming = 2_000
  const until = performance.now() + storming
  let changes = 0
  while (performance.now() < until) {
    run.depot.ledger.append({ kind: 'observed', device: 'desk-1', by: 'me', note: String(changes) })
    run.depot.events.emit('changed')
    changes += 1
    await pause(5)
  }
  const { entries } = run.depot.ledger.head
  await stream.next((part) => part.ledger?.entries === entries)
  expect(changes).toBeGreaterThan(100)
  // The whole, one at once, and four a second; one more for the edges.
  expect(stream.events.length).toBeLessThanOrEqual(2 + (storming / 1000) * 4 + 1)
  expect(stream.events.length).toBeGreaterThan(4)
})

test('a pull that moves is told without any event of its own, and only it', async () => {
  run = await startRunning()
  await run.stage('big.bin', noise(24 * 1024 * 1024))
  const stream = await listen()
  const client = device({ port: run.imagePort, path: '/big.bin', pauseAt: 1_000_000 })
  const begun = await stream.next((part) => (part.underWay?.length ?? 0) > 0)
  expect(begun.underWay?.[0]).toMatchObject({ image: { name: 'big.bin' }, state: 'running' })
  await stream.next((part) => part.underWay?.[0]?.movement === 'stalled')
  await client.finish()
  const over = await stream.next((part) => part.pullsChanged?.[0]?.state === 'complete')
  expect(over.pullsChanged?.[0]?.bytesCovered).toBe(24 * 1024 * 1024)
  await stream.next((part) => part.underWay?.length === 0 && part.program === undefined)
  // That it stands still now is its mark on the board.
  const ofMoving = new Set(['board', 'underWay'])
  const onlyMoving = stream.events.filter(({ part }) => Object.keys(part).every((key) => ofMoving.has(key)))
  expect(onlyMoving.length).toBeGreaterThan(0)
})

test('with each pull that ended all the others that are over were sent again', async () => {
  run = await startRunning()
  await run.stage('desk.bin', noise(50_000))
  const stream = await listen()
  const told = (): string[] =>
    stream.events.flatMap(({ part }) => part.pullsChanged ?? []).map(({ fetches }) => fetches.join())
  for (let at = 1; at <= 3; at += 1) {
    await device({ port: run.imagePort, path: '/desk.bin', from: `127.0.1.${at}` }).finish()
    await expect.poll(() => new Set(told()).size, { timeout: 10_000 }).toBe(at)
  }
  expect(told()).toHaveLength(3)
  expect(stream.events.filter(({ part }) => part.pulls !== undefined)).toHaveLength(1)
  const { pulls } = (await (await fetch(`${run.page}/api/snapshot`)).json()) as Snapshot
  expect(pulls.map(({ fetches }) => fetches.join())).toEqual(told().reverse())
})

test('closing the server ends open streams', async () => {
  run = await startRunning()
  const stream = await listen()
  await stream.next(() => true)
  const begun = performance.now()
  await run.close()
  await stream.ended
  expect(performance.now() - begun).toBeLessThan(5_000)
})

test('too many pages are told so', async () => {
  run = await startRunning()
  const open = await Promise.all(Array.from({ length: 32 }, () => listen()))
  await Promise.all(open.map((stream) => stream.next(() => true)))
  const more = await fetch(`${run.page}/api/stream`)
  expect(more.status).toBe(503)
  open[0]?.close()
  await expect
    .poll(async () => {
      const abort = new AbortController()
      const { status } = await fetch(`${run.page}/api/stream`, { signal: abort.signal })
      abort.abort()
      return status
    })
    .toBe(200)
})

/** Sockets of this process that a server has accepted, as Node tells them. */
function acceptedSockets(): Socket[] {
  const accepted: Socket[] = []
  const take = (message: unknown): void => void accepted.push((message as { socket: Socket }).socket)
  subscribe('net.server.socket', take)
  onTestFinished(() => void unsubscribe('net.server.socket', take))
  return accepted
}

test('twenty tabs that sleep pin no more than one snapshot each, and get what is so now when they wake', async () => {
  run = await startRunning()
  const files = Array.from({ length: 500 }, (_none, at) => `image-${at}.bin`)
  await Promise.all(files.map((name, at) => writeFile(join(run.folder, name), noise(2_000, at + 1))))
  await run.depot.catalogue.rescan()
  await run.depot.catalogue.idle()
  const accepted = acceptedSockets()
  const asleep = Array.from({ length: 20 }, () => {
    const socket = connect(run.pagePort, '127.0.0.1').pause()
    onTestFinished(() => void socket.destroy())
    socket.write(`GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1:${run.pagePort}\r\n\r\n`)
    return socket
  })
  const awake = await listen()
  const isHeld =
    (name: string) =>
    ({ images }: SnapshotChange): boolean =>
      images?.some((image) => image.name === name && image.state === 'held') === true
  await awake.next(() => true)
  let said = 0
  let most = 0
  // Each sends all images anew: in the end far more than the system takes for a socket that nobody reads.
  for (const name of files.slice(0, 30)) {
    run.depot.hold(name, 'because', 'me')
    said += JSON.stringify(await awake.next(isHeld(name))).length
    most = Math.max(most, ...accepted.map(({ writableLength }) => writableLength))
  }
  const whole = (await (await fetch(`${run.page}/api/snapshot`)).text()).length
  expect(said).toBeGreaterThan(6_000_000)
  expect(most).toBeGreaterThan(0)
  expect(most).toBeLessThan(2 * whole)

  const [first] = asleep
  let text = ''
  first?.setEncoding('utf8').on('data', (piece: string) => {
    text += piece
  })
  first?.resume()
  const latest = (): SnapshotChange => {
    const events = text.split('\n\n').filter((event) => /(^|\n)data: \{.*\}$/.test(event))
    return JSON.parse(events.at(-1)?.replace(/[^{]*/, '') ?? '{}') as SnapshotChange
  }
  await expect.poll(() => isHeld(files[29] ?? '')(latest()), { timeout: 10_000, interval: 250 }).toBe(true)
})
