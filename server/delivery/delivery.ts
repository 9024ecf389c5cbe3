/**
 * The room's front: begins fetches, refuses them, and writes both to the ledger before anything is acted on.
 * Knows no protocol; status numbers pass through as what was answered.
 */
import { EventEmitter } from 'node:events'
import { FetchproofError } from '../errors.ts'
import type { ClientRef, ImageReference, NewEntryOf } from '../ledger/entries.ts'
import type { Ledger } from '../ledger/ledger.ts'
import type { SendQueues } from '../network/send-queue.ts'
import { type ReadyImage, referenceOf } from '../staging/image.ts'
import type { BlockStore, OpenedVersion } from './blocks.ts'
import type { Phase, Seen } from './endings.ts'
import { createFetch, type FetchEnd, type RunningFetch } from './fetch.ts'
import type { HeldParts } from './held-parts.ts'
import type { FetchLimits, Place } from './places.ts'
import { resumeOffset } from './range-header.ts'
import { createRefusals, type NewRefusal } from './refusals.ts'
import { createTurns } from './sending-turns.ts'
import { createSleepAwareTimer } from './sleep-aware-timer.ts'
import { createFetchesUnderWay } from './under-way.ts'

type Begun = NewEntryOf<'fetch-begun'>

/** What is answered. */
export type BodyPlan = Pick<Begun, 'status' | 'options' | 'first' | 'promised' | 'versionChanged'>

/** A request as it came. Absent members were absent on the wire. */
export type Asked = Omit<Begun, 'kind' | 'id' | 'image' | 'upMs' | 'beside' | keyof BodyPlan> & {
  /** The protocol. */
  readonly door: string
}

type Refused = NewRefusal & Pick<Asked, 'door' | 'ifRange' | 'rehearsal'>

interface DeliveryEvents {
  /** What a fetch has seen, and the phase that it is in since. */
  seen: [fetchId: number, seen: Seen, phase: Phase]
}

export type Delivery = ReturnType<typeof createDelivery>

interface DeliveryDeps {
  readonly ledger: Pick<Ledger, 'append' | 'nextFetchId'>
  readonly blocks: BlockStore
  readonly limits: FetchLimits & { readonly lingerMs: number }
  readonly sendQueues: SendQueues
  readonly macOf: (address: string) => string | undefined
  readonly parts: Pick<HeldParts, 'keyOf' | 'explained'>
  /** Whether it is a device of the visit. */
  readonly isPlanned: (client: ClientRef) => boolean
  /** On the disk of the records. */
  readonly freeBytes?: () => Promise<number>
  /** Whether an image is on offer in this version now. */
  readonly stillReady: (image: ReadyImage) => boolean
  /** Monotonic, ms since this run began. */
  readonly clock: () => number
  /** The bytes on disk are not those of the version any more, or cannot be read. */
  readonly onFault: (image: ReadyImage, error: unknown) => void
  /** An ending or a refusal could not be written. */
  readonly onUnrecorded: (error: unknown) => void
}

const STOPPING = 'the server is being stopped'

export function createDelivery(deps: DeliveryDeps) {
  // Long: the room's front; every function writes to the one ledger and the one list of fetches.
  const { ledger, clock } = deps
  const timer = createSleepAwareTimer(clock)
  const turns = createTurns()
  const underWay = createFetchesUnderWay(deps.limits, {
    clock,
    wokeAt: timer.wokeAt,
    clientKey: deps.parts.keyOf,
    isPlanned: deps.isPlanned,
  })
  const events = new EventEmitter<DeliveryEvents>()
  let closed = false
  const refusals = createRefusals({
    isPlanned: deps.isPlanned,
    freeBytes: deps.freeBytes,
    append: (refusal) => record({ ...refusal, id: ledger.nextFetchId() }),
  })

  /** Endings and refusals: there is nobody to tell but the person at the laptop. */
  function record(entry: NewEntryOf<'fetch-ended'> | NewEntryOf<'fetch-refused'>): void {
    try {
      ledger.append(entry)
    } catch (error) {
      deps.onUnrecorded(error)
    }
  }

  function recordBegun(
    asked: Asked,
    image: ImageReference | undefined,
    plan: BodyPlan,
    beside: number,
  ): number {
    const id = ledger.nextFetchId()
    ledger.append({
      kind: 'fetch-begun',
      id,
      ...asked,
      image,
      upMs: round(clock()),
      ...plan,
      beside: beside > 0 ? beside : undefined,
      rehearsal: asked.rehearsal || undefined,
    })
    return id
  }

  function recordEnd(id: number, end: FetchEnd): void {
    const { ending, acknowledged, reason } = end.state
    underWay.remove(id)
    record({
      kind: 'fetch-ended',
      id,
      ending: ending ?? 'cut',
      acknowledged,
      bytesHandedOver: end.bytesHandedOver,
      firstByteMs: end.firstByteMs && round(end.firstByteMs),
      lastByteMs: end.lastByteMs && round(end.lastByteMs),
      acknowledgedMs: end.acknowledgedMs && round(end.acknowledgedMs),
      durationMs: round(end.durationMs),
      resent: end.resent,
      reason,
    })
  }

  /** While a file is being opened the image may be held, and the server told to stop. */
  async function openReady(image: ReadyImage): Promise<OpenedVersion> {
    const opened = await deps.blocks.open(image).catch((error: unknown) => {
      deps.onFault(image, error)
      throw error
    })
    if (!closed && deps.stillReady(image)) return opened
    opened.release()
    if (closed) throw new FetchproofError('FP_BUSY', { why: STOPPING })
    throw new FetchproofError('FP_IMAGE_NOT_READY', { image: image.name })
  }

  function begun(
    asked: Asked,
    image: ReadyImage,
    plan: BodyPlan,
    opened: OpenedVersion,
    place: Place,
  ): Pick<RunningFetch, 'start'> {
    const { client, rehearsal = false } = asked
    const { first, promised } = plan
    const { sha256 } = image.version
    const resumesAt = resumeOffset(asked.range)
    const reference = referenceOf(image)
    // What an ended fetch explains may be another device's behind the same address; the open one may erase its flash.
    if (resumesAt !== undefined && !deps.parts.explained(client, reference, resumesAt))
      underWay.supersede(client, sha256, resumesAt)
    const id = recordBegun(asked, reference, plan, underWay.moving(client, sha256))
    const fetch = createFetch({
      opened,
      first,
      promised,
      lingerMs: deps.limits.lingerMs,
      after: timer.after,
      turns,
      sendQueues: deps.sendQueues,
      clock,
      onSeen: (seen, phase) => void events.emit('seen', id, seen, phase),
      onHandedOver: () => underWay.handedOver(id),
      onEnd: (end) => recordEnd(id, end),
      onFault: (error) => deps.onFault(image, error),
    })
    underWay.add({ id, client, image: reference, first, promised, rehearsal, fetch }, place)
    return fetch
  }

  return {
    events,
    underWay,
    /** For other limits on what a device does. */
    timer,
    /** The client with the hardware address that the neighbour table has for it now. */
    clientAt(address: string, port: number | undefined): ClientRef {
      const mac = deps.macOf(address)
      return { address, ...(port !== undefined && { port }), ...(mac !== undefined && { mac }) }
    },
    /**
     * Opens the version and records the fetch; `start` then sends it. Throws FP_BUSY, FP_IMAGE_CHANGED,
     * FP_IMAGE_UNREADABLE, FP_IMAGE_NOT_READY when it was held or replaced meanwhile, and the ledger's errors;
     * nothing was promised then.
     */
    async begin(asked: Asked, image: ReadyImage, plan: BodyPlan): Promise<Pick<RunningFetch, 'start'>> {
      if (closed) throw new FetchproofError('FP_BUSY', { why: STOPPING })
      const place = underWay.takePlace(asked.client)
      const answered = turns.hurry()
      let opened: OpenedVersion | undefined
      try {
        opened = await openReady(image)
        return begun(asked, image, plan, opened, place)
      } catch (error) {
        opened?.release()
        place.leave()
        throw error
      } finally {
        answered()
      }
    },
    /** A HEAD, a 304, a checksum file, their list (of no one image): headers, and no byte of an image. */
    recordHeadersOnly(asked: Asked, image: ReadyImage | undefined, status?: number): void {
      const plan = { status, first: 0, promised: 0 }
      const id = recordBegun(asked, image && referenceOf(image), plan, 0)
      record({ kind: 'fetch-ended', id, ending: 'headers-only', bytesHandedOver: 0, durationMs: 0 })
    },
    refuse({ ifRange, rehearsal, ...refusal }: Refused): void {
      refusals.record(refusal)
    },
    /** Withdraws every fetch under way, writes what was only counted. Idempotent. */
    close(why: string): void {
      closed = true
      underWay.withdraw(() => true, why)
      refusals.close()
      timer.close()
    },
  }
}

function round(ms: number): number {
  return Math.round(ms * 1000) / 1000
}
