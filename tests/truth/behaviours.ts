/**
 * What devices do, each behaviour a function over one device. All offsets, times and choices come from the device's
 * own source of chance. A behaviour returns when the device has done what it does; whether it holds the image then
 * is its own truth.
 */
import { setTimeout as pause } from 'node:timers/promises'
import type { Device, GetOptions, RequestTruth, TftpGetOptions } from './device.ts'
import type { Site } from './site.ts'
import type { TftpOptions } from './tftp-reader.ts'

export interface Behaviour {
  readonly name: string
  readonly weight: number
  /** Needs an image that may be replaced under way. */
  readonly restless?: boolean
  readonly act: (device: Device, site: Site) => Promise<void>
}

const PATIENCE_MS = 30_000
/** Not for as long as an image is held: a person comes back when that has been seen to. */
const REFUSED_AT_MOST = 6

/** Whether the device holds the whole of some version. */
function satisfied(device: Device): boolean {
  return device.heldWhole.size > 0
}

/** Waits before the same is asked again: shorter than Retry-After says, as small clients are. */
async function beforeRetry(device: Device, site: Site): Promise<void> {
  await site.up()
  await pause(device.random.whole(50, 250))
}

/** One GET that is repeated until an image is answered with; undefined when patience is at its end. */
async function answered(device: Device, site: Site, options: GetOptions): Promise<RequestTruth | undefined> {
  const limit = Date.now() + PATIENCE_MS
  for (let refused = 0; Date.now() < limit && refused < REFUSED_AT_MOST; ) {
    const truth = await device.get(options)
    if (truth?.status === 200 || truth?.status === 206 || truth?.status === 416) return truth
    if (truth?.status === 412) {
      device.forget()
      return undefined
    }
    if (truth?.status === 409) refused += 1
    await beforeRetry(device, site)
  }
  return undefined
}

/** Goes on until it holds a whole version: from where it is, from somewhat before, or from the start. */
async function finish(device: Device, site: Site, options: GetOptions = {}): Promise<void> {
  const limit = Date.now() + PATIENCE_MS
  for (let refused = 0; !satisfied(device) && Date.now() < limit && refused < REFUSED_AT_MOST; ) {
    const from = device.resumable()
    const resumes = from !== undefined && device.random.chance(0.8)
    const range = resumes ? `bytes=${resumePoint(device, from.upTo)}-` : undefined
    const truth = await device.get({ ...options, ...(range !== undefined && { range }) })
    // The part that it holds is of another version, or longer than the image: of no use any more.
    if (truth?.status === 412 || truth?.status === 416) device.forget()
    if (truth?.status === 409) refused += 1
    if (!satisfied(device)) await beforeRetry(device, site)
  }
}

/** Mostly all that is held, else any point before it (a device that rounds down to its own blocks). */
function resumePoint(device: Device, upTo: number): number {
  return device.random.chance(0.6) ? upTo : device.random.whole(1, upTo)
}

function bytesOf(device: Device, site: Site): number {
  return site.images.present(device.image).bytes
}

/** A connection that comes to nothing after some of the body. */
async function cutOff(device: Device, site: Site, range?: string): Promise<RequestTruth | undefined> {
  const { random } = device
  return answered(device, site, {
    upTo: random.whole(0, bytesOf(device, site) - 1),
    leaving: random.chance(0.7) ? 'reset' : 'unread',
    readBytes: random.whole(1, 64 * 1024),
    ...(range !== undefined && { range }),
  })
}

async function whole(device: Device, site: Site): Promise<void> {
  await finish(device, site)
}

async function flashWriter(device: Device, site: Site): Promise<void> {
  await finish(device, site, { closeAfterMs: device.random.whole(20, 900) })
}

async function slow(device: Device, site: Site): Promise<void> {
  const { random } = device
  const steps = random.whole(5, 25)
  const readBytes = Math.max(1, Math.ceil(bytesOf(device, site) / steps))
  await finish(device, site, {
    readBytes: Math.min(readBytes, 1024 * 1024),
    pace: () => pause(random.whole(5, 60)),
  })
}

async function paused(device: Device, site: Site): Promise<void> {
  const { random } = device
  const at = random.whole(0, bytesOf(device, site) - 1)
  let done = false
  await finish(device, site, {
    async pace(received) {
      if (done || received < at) return
      done = true
      await pause(random.whole(200, 1_500))
    },
  })
}

async function resetSomewhere(device: Device, site: Site): Promise<void> {
  await cutOff(device, site)
}

async function halfClosedAtOnce(device: Device, site: Site): Promise<void> {
  await answered(device, site, { halfCloseFirst: true })
}

async function resumed(device: Device, site: Site): Promise<void> {
  const { random } = device
  await cutOff(device, site)
  for (let again = random.whole(0, 2); again > 0 && !satisfied(device); again -= 1) {
    const from = device.resumable()
    if (from === undefined) break
    await answered(device, site, {
      range: `bytes=${resumePoint(device, from.upTo)}-`,
      upTo: random.whole(0, bytesOf(device, site)),
      leaving: 'reset',
      readBytes: random.whole(1, 64 * 1024),
    })
  }
  await finish(device, site)
}

/** Bounded ranges side by side; some fail and are asked for again, mostly from where they stopped. */
async function segmented(device: Device, site: Site): Promise<void> {
  const { random } = device
  const bytes = bytesOf(device, site)
  const count = Math.min(bytes, random.whole(2, 5))
  const edges = Array.from({ length: count + 1 }, (_none, at) => Math.floor((bytes * at) / count))
  let version: string | undefined
  let mixed = false

  async function segment(from: number, last: number): Promise<void> {
    let at = from
    const limit = Date.now() + PATIENCE_MS
    while (at <= last && !mixed && Date.now() < limit) {
      const fails = random.chance(0.2)
      const truth = await device.get({
        range: `bytes=${at}-${last}`,
        ...(fails && {
          upTo: random.whole(0, last - at),
          leaving: 'reset',
          readBytes: random.whole(1, 64 * 1024),
        }),
      })
      if (truth?.status === 206) {
        version ??= truth.version
        mixed ||= truth.version !== version || truth.first !== at
        at += truth.received
      } else {
        mixed ||= [200, 409, 412, 416].includes(truth?.status ?? 0)
        await beforeRetry(device, site)
      }
    }
  }

  await Promise.all(edges.slice(1).map((edge, at) => segment(edges[at] ?? 0, edge - 1)))
  if (satisfied(device) || !mixed) return
  // The image is another one now: segments of two versions are of no use.
  device.forget()
  await finish(device, site)
}

/** Segments of which the first was asked for as the whole image and is left early; the last one is open-ended. */
async function segmentedOpen(device: Device, site: Site): Promise<void> {
  const { random } = device
  const bytes = bytesOf(device, site)
  const middle = random.whole(Math.floor(bytes / 4), Math.floor((3 * bytes) / 4))
  let second: Promise<unknown> | undefined
  await answered(device, site, {
    upTo: middle,
    leaving: 'reset',
    pace() {
      if (middle > 0)
        second ??= device.get({ range: `bytes=${middle}-`, ...(random.chance(0.3) && { upTo: 1 }) })
    },
  })
  await second
}

const ODD_RANGES = [
  'bytes=abc',
  'bytes=5-2',
  'bytes=0-9,20-29',
  'bytes=-0',
  'lines=1-5',
  'bytes=99999999999-',
  'bytes=-1',
  'bytes=0-0',
] as const

/**
 * Odd ranges, and at first perhaps one that says that it holds what nobody ever gave it. (After a fetch that got as
 * far, such a range counts as the device's own statement: a device that lies then is believed.)
 */
async function wrongRange(device: Device, site: Site): Promise<void> {
  const { random } = device
  const middle = random.whole(1, Math.max(1, bytesOf(device, site) - 1))
  if (random.chance(0.5)) await device.get({ range: `bytes=${middle}-` })
  for (let times = random.whole(0, 3); times > 0; times -= 1) {
    const range = random.pick(ODD_RANGES)
    await device.get({ range, ...(random.chance(0.3) && { upTo: 1, leaving: 'reset' }) })
  }
  if (random.chance(0.5)) await finish(device, site)
}

/** First the tail, then the rest: two ranges that follow on. */
async function tailFirst(device: Device, site: Site): Promise<void> {
  const bytes = bytesOf(device, site)
  const tail = device.random.whole(1, bytes)
  const first = await answered(device, site, { range: `bytes=-${tail}` })
  if (first?.status === 206 && first.first > 0) {
    await answered(device, site, { range: `bytes=0-${first.first - 1}` })
  }
}

async function changedUnderWay(device: Device, site: Site): Promise<void> {
  await cutOff(device, site)
  site.images.replace(device.image, device.random)
  await finish(device, site)
}

async function keptAlive(device: Device, site: Site): Promise<void> {
  const limit = Date.now() + PATIENCE_MS
  for (let refused = 0; !satisfied(device) && Date.now() < limit && refused < REFUSED_AT_MOST; ) {
    const over = device.kept()
    const probe = await device.get({ method: 'HEAD', leaving: 'kept', ...(over !== undefined && { over }) })
    const kept = device.kept()
    if (probe?.status === 200 && kept !== undefined) {
      await device.get({ over: kept })
    } else {
      kept?.close()
      if (probe?.status === 409) refused += 1
      await beforeRetry(device, site)
    }
  }
}

async function pipelined(device: Device, site: Site): Promise<void> {
  const truth = await answered(device, site, { pipelined: `/${device.image}` })
  if (truth !== undefined && device.random.chance(0.5)) await finish(device, site)
}

async function lateHalfClose(device: Device, site: Site): Promise<void> {
  const { random } = device
  await answered(device, site, {
    upTo: random.whole(0, bytesOf(device, site) - 1),
    leaving: 'half-closed, then reset',
    readBytes: random.whole(1, 64 * 1024),
  })
}

async function probeThenWhole(device: Device, site: Site): Promise<void> {
  await answered(device, site, { upTo: 0, leaving: device.random.pick(['reset', 'unread']) })
  device.forget()
  await answered(device, site, {})
  await finish(device, site)
}

/** A complete file is resumed: 416. Its first close may have been a reset, so that only the 416 tells. */
async function resumeOfComplete(device: Device, site: Site): Promise<void> {
  const { random } = device
  await answered(device, site, { leaving: random.chance(0.5) ? 'reset' : 'in order' })
  await finish(device, site)
  const [version] = [...device.heldWhole]
  const known = version === undefined ? undefined : site.images.version(version)
  if (known === undefined) return
  await device.get({ range: `bytes=${known.bytes}-` })
}

/** What a person mistyped, and perhaps mends; or the rollback image after the right one. */
async function anotherImage(device: Device, site: Site): Promise<void> {
  const { random } = device
  const names = site.images.list.filter(({ weight }) => weight > 2).map(({ name }) => name)
  const image = names[random.whole(0, names.length - 1)]
  if (image === undefined) return
  if (random.chance(0.5)) await finish(device, site)
  await answered(device, site, { image })
  if (random.chance(0.5)) await answered(device, site, {})
}

async function vanished(device: Device, site: Site): Promise<void> {
  const { random } = device
  const bytes = bytesOf(device, site)
  await answered(device, site, {
    upTo: random.chance(0.2) ? bytes : random.whole(0, bytes - 1),
    leaving: 'vanished',
    readBytes: random.whole(1, 64 * 1024),
  })
}

const SMALL_BYTES = 64 * 1024

/** As the device's maker chose them; a large image comes in large blocks and several at once. */
function tftpOptions(device: Device, site: Site): TftpOptions {
  const { random } = device
  const { bytes } = site.images.present(device.image)
  const isSmall = bytes <= SMALL_BYTES
  const changes = site.images.list.some((image) => image.name === device.image && image.changes)
  // Where a file may be cut, a part of it is told from a part of its longer self by their lengths alone.
  const asksLength = changes || random.chance(0.5)
  if (isSmall && !changes && random.chance(0.3)) return {}
  return {
    blksize: String(isSmall ? random.whole(128, 1_468) : random.whole(1_024, 8_192)),
    ...((!isSmall || random.chance(0.5)) && { windowsize: String(random.whole(isSmall ? 1 : 4, 16)) }),
    ...(asksLength && { tsize: '0' }),
    ...(random.chance(0.2) && { timeout: String(random.whole(1, 2)) }),
  }
}

/** Access violation (RFC 1350 Appendix I): not for as long as it is held. */
const HELD_BY_TFTP = 2

/** One that is repeated until bytes come; undefined when patience is at its end. */
async function readOnce(
  device: Device,
  site: Site,
  options: TftpGetOptions = {},
): Promise<RequestTruth | undefined> {
  const limit = Date.now() + PATIENCE_MS
  for (let refused = 0; Date.now() < limit && refused < REFUSED_AT_MOST; ) {
    await site.up()
    const slash = device.random.chance(0.5)
    const truth = await device.getByTftp({ slash, options: tftpOptions(device, site), ...options })
    if (truth.received > 0) return truth
    if (truth.status === HELD_BY_TFTP) refused += 1
    await beforeRetry(device, site)
  }
  return undefined
}

/** From the start each time: TFTP knows no resume. */
async function finishByTftp(device: Device, site: Site, options: TftpGetOptions = {}): Promise<void> {
  const limit = Date.now() + PATIENCE_MS
  while (!satisfied(device) && Date.now() < limit) {
    if ((await readOnce(device, site, options)) === undefined) return
  }
}

async function tftpWhole(device: Device, site: Site): Promise<void> {
  await finishByTftp(device, site)
}

async function tftpPaused(device: Device, site: Site): Promise<void> {
  const { random } = device
  const at = random.whole(0, bytesOf(device, site) - 1)
  let done = false
  await finishByTftp(device, site, {
    async pace(received) {
      if (done || received < at) return
      done = true
      await pause(random.whole(200, 1_500))
    },
  })
}

/** Few bytes, since each loss costs a time-out. */
async function tftpOverABadLine(device: Device, site: Site): Promise<void> {
  const small = site.images.present(device.image).bytes <= 2 * SMALL_BYTES
  await finishByTftp(device, site, { loses: small ? 0.04 : 0.0005 })
}

async function tftpCutOff(device: Device, site: Site): Promise<void> {
  const { random } = device
  await readOnce(device, site, {
    upTo: random.whole(1, bytesOf(device, site)),
    leaving: random.chance(0.6) ? 'error' : 'gone',
  })
  if (random.chance(0.4)) await finishByTftp(device, site)
}

async function tftpLastKeptBack(device: Device, site: Site): Promise<void> {
  await readOnce(device, site, { keepsLastBack: true })
}

/** As loaders do that first ask how long it is (RFC 2349). */
async function tftpProbeThenWhole(device: Device, site: Site): Promise<void> {
  await site.up()
  await device.getByTftp({ options: { tsize: '0' }, onlyAsks: true })
  if (device.random.chance(0.7)) await finishByTftp(device, site)
}

async function tftpChangedUnderWay(device: Device, site: Site): Promise<void> {
  const { random } = device
  const at = random.whole(1, bytesOf(device, site) - 1)
  let done = false
  await finishByTftp(device, site, {
    async pace(received) {
      if (done || received < at) return
      done = true
      site.images.replace(device.image, random)
      await pause(random.whole(0, 600))
    },
  })
}

/** Its loader is cut off; the system that it then starts fetches anew. */
async function tftpThenHttp(device: Device, site: Site): Promise<void> {
  await readOnce(device, site, { upTo: device.random.whole(1, bytesOf(device, site)) })
  device.forget()
  await finish(device, site)
}

export const BEHAVIOURS: readonly Behaviour[] = [
  { name: 'whole', weight: 14, act: whole },
  { name: 'writes flash before its close', weight: 5, act: flashWriter },
  { name: 'slow', weight: 6, act: slow },
  { name: 'paused', weight: 6, act: paused },
  { name: 'reset at a random byte', weight: 7, act: resetSomewhere },
  { name: 'half-closed after its request', weight: 4, act: halfClosedAtOnce },
  { name: 'resumed', weight: 12, act: resumed },
  { name: 'segmented', weight: 8, act: segmented },
  { name: 'segmented, first request whole', weight: 3, act: segmentedOpen },
  { name: 'wrong range', weight: 5, act: wrongRange },
  { name: 'tail first', weight: 2, act: tailFirst },
  { name: 'changed version under way', weight: 4, restless: true, act: changedUnderWay },
  { name: 'kept alive: HEAD, then GET', weight: 4, act: keptAlive },
  { name: 'pipelined', weight: 3, act: pipelined },
  { name: 'late half-close, then reset', weight: 5, act: lateHalfClose },
  { name: 'probe cut off, then whole', weight: 4, act: probeThenWhole },
  { name: 'resume of a complete file', weight: 4, act: resumeOfComplete },
  { name: 'vanished', weight: 4, act: vanished },
  { name: 'another image', weight: 5, act: anotherImage },
  { name: 'tftp: whole', weight: 6, act: tftpWhole },
  { name: 'tftp: paused', weight: 2, act: tftpPaused },
  { name: 'tftp: over a bad line', weight: 3, act: tftpOverABadLine },
  { name: 'tftp: cut off', weight: 3, act: tftpCutOff },
  { name: 'tftp: last acknowledgement kept back', weight: 2, act: tftpLastKeptBack },
  { name: 'tftp: asks for the length, then whole', weight: 2, act: tftpProbeThenWhole },
  { name: 'tftp: changed version under way', weight: 2, restless: true, act: tftpChangedUnderWay },
  { name: 'tftp: cut off, then by HTTP', weight: 2, act: tftpThenHttp },
]

/** What several devices behind one address do at the same time. */
export const SHARED_BEHAVIOURS: readonly Behaviour[] = [
  { name: 'shared: whole', weight: 4, act: whole },
  { name: 'shared: resumed', weight: 3, act: resumed },
  { name: 'shared: segmented', weight: 2, act: segmented },
  { name: 'shared: reset at a random byte', weight: 2, act: resetSomewhere },
  { name: 'shared: vanished', weight: 1, act: vanished },
  { name: 'shared: tftp', weight: 2, act: tftpWhole },
]
