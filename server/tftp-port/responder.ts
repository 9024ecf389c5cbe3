/** From a request to a transfer, or to an ERROR packet; each recorded before it is sent. */
import type { Asked } from '../delivery/delivery.ts'
import type { Wire } from '../delivery/fetch.ts'
import { type Admitted, type Denial, type Denied, denialOf } from '../depot/admission.ts'
import type { Depot } from '../depot/depot.ts'
import { checksumFile, checksumList } from '../depot/served-checksums.ts'
import { FetchproofError, systemCode } from '../errors.ts'
import { largestPacket } from '../network/interfaces.ts'
import type { ReadyImage } from '../staging/image.ts'
import { refusalWords } from '../wording/refusal-words.ts'
import { type Granted, grantOptions } from './options.ts'
import { DATA_HEADER_BYTES, ERROR_CODE, ERROR_TEXT_AT_MOST, type Packet, parsePacket } from './packets.ts'
import type { Answering } from './repeats.ts'
import { openTransferPort, type Peer } from './transfer-port.ts'
import { createTransfer, type Transfer } from './wire.ts'

/** What this door asks of the depot. */
export type TftpDoorDepot = Pick<Depot, 'admission' | 'delivery' | 'rehearsals' | 'own'>

interface Request {
  readonly asked: Asked
  readonly packet: ReadRequest
  /** As it was bound, with its zone. */
  readonly localAddress: string
  readonly peer: Peer
  /** An ERROR packet, from the port that was asked. */
  readonly answer: (code: number, text: string) => void
  readonly answering: Answering
}

/** Something that is no request: nobody knows what was asked for. */
type Other = Pick<Request, 'answer'> & { readonly asked: Omit<Asked, 'target'> }

export type ReadRequest = Extract<Packet, { kind: 'request' }>

/** A client that is told 1 or 2 leaves it at that, one that is told 0 may come again (U-Boot, `net/tftp.c`). */
const CODE_OF_DENIAL = {
  'not allowed': ERROR_CODE.accessViolation,
  'not planned': ERROR_CODE.accessViolation,
  'unknown name': ERROR_CODE.notFound,
  held: ERROR_CODE.accessViolation,
  'other version': ERROR_CODE.accessViolation,
  'not ready': ERROR_CODE.notDefined,
  unavailable: ERROR_CODE.notDefined,
} as const satisfies Record<Denial, number>

/** Checksum files under way; they count against no limit of fetches. */
const TEXTS_AT_MOST = 64

/** IPv4 (RFC 791 §3.1) or IPv6 (RFC 8200 §3) and UDP (RFC 768). */
const HEADER_BYTES = { 4: 20 + 8, 6: 40 + 8 }

export function createTftpResponder(depot: TftpDoorDepot, onCrowded: () => void) {
  // Long: transfers that are open, and the texts among them, are counted at one place.
  const { admission, delivery, own } = depot
  const transfers = new Set<Transfer>()
  const texts = new Set<Transfer>()
  let closed: (() => void) | undefined

  function refuse({ asked, answer }: Other, { code, ...refusal }: Refusal): false {
    const { reason, hint = null } = refusal
    delivery.refuse({ ...asked, ...refusal, status: code })
    const words = refusalWords({ reason, hint })
    answer(code, words.length <= ERROR_TEXT_AT_MOST ? words : reason)
    return false
  }

  /** Nothing is sent to who is not allowed: its address may be a forged one. */
  function isTurnedAway(asked: Other['asked'], admitted: Admitted | Denied): boolean {
    if (admitted.kind !== 'denied' || admitted.denial !== 'not allowed') return false
    delivery.refuse({ ...asked, ...withoutKind(admitted) })
    return true
  }

  async function openTransfer(request: Request, bytes: number): Promise<Transfer> {
    const { localAddress, peer, answering } = request
    const port = await openTransferPort({
      localAddress,
      peer,
      onPacket: (datagram) => transfer.take(parsePacket(datagram)),
      onClosed() {
        transfers.delete(transfer)
        texts.delete(transfer)
        if (transfers.size === 0) closed?.()
      },
    }).catch((error: unknown) => {
      const code = systemCode(error)
      if (code === 'EMFILE' || code === 'ENFILE') onCrowded()
      throw new FetchproofError('FP_BUSY', { why: `no port for it (${code ?? error})` }, { cause: error })
    })
    const transfer = createTransfer({
      granted: grant(request, bytes),
      bytes,
      send: port.send,
      clock: () => performance.now(),
      after: delivery.timer.after,
      onEnd: port.close,
    })
    transfers.add(transfer)
    answering.transfer = transfer
    return transfer
  }

  function grant({ asked, packet }: Request, bytes: number): Granted {
    const at = own().find(({ address }) => address === asked.localAddress)
    const headers = HEADER_BYTES[asked.localAddress.includes(':') ? 6 : 4] + DATA_HEADER_BYTES
    return grantOptions(packet.options, {
      bytes,
      blockBytesAtMost: largestPacket(at?.interface ?? '') - headers,
      rehearses: asked.rehearsal === true,
    })
  }

  /** `record`: before anything is sent; it feeds the transfer's wire. */
  async function begin(
    request: Request,
    bytes: number,
    record: (transfer: Transfer) => Promise<void> | void,
  ): Promise<true> {
    const transfer = await openTransfer(request, bytes)
    try {
      await record(transfer)
    } catch (error) {
      transfer.askedAnew()
      throw error
    }
    transfer.begin()
    return true
  }

  async function sendImage(request: Request, image: ReadyImage): Promise<true> {
    const promised = image.version.bytes
    // Of an empty image, lifted by a person, there is no byte to fetch.
    if (promised === 0) return sendText(request, '', image)
    return begin(request, promised, async ({ wire, options }) => {
      const begun = await delivery.begin(request.asked, image, { first: 0, promised, options })
      begun.start(wire)
    })
  }

  async function sendText(request: Request, text: string, image?: ReadyImage): Promise<true> {
    if (texts.size >= TEXTS_AT_MOST)
      throw new FetchproofError('FP_BUSY', { why: 'too many checksum files at once' })
    const bytes = Buffer.from(text)
    return begin(request, bytes.length, (transfer) => {
      texts.add(transfer)
      delivery.recordHeadersOnly(request.asked, image)
      feed(transfer.wire, bytes)
    })
  }

  async function send(request: Request): Promise<boolean> {
    const { asked, packet } = request
    const admitted = admission.admit(asked, packet.name)
    if (isTurnedAway(asked, admitted)) return false
    if (packet.write) return refuse(request, WRITING)
    if (packet.mode !== 'octet') return refuse(request, OTHER_MODE)
    switch (admitted.kind) {
      case 'denied':
        return refuse(request, refusalOf(admitted))
      case 'image':
        return sendImage(request, admitted.image)
      case 'checksum':
        return sendText(request, checksumFile(admitted.image), admitted.image)
      case 'list':
        return sendText(request, checksumList(admitted.images))
    }
  }

  return {
    /** Resolves with whether a transfer was begun. Rejects for faults of ours. */
    async respond(request: Request): Promise<boolean> {
      try {
        return await send(request)
      } catch (error) {
        const denied = denialOf(error)
        if (denied === undefined) throw error
        return refuse(request, refusalOf(denied))
      }
    },
    /** What is no request, to the port for requests. `start`: as it came. */
    refuseOther({ asked: who, answer }: Other, packet: Packet, start: string): void {
      const asked = { ...who, firstLine: start }
      if (isTurnedAway(asked, admission.admit(who, ''))) return
      const [code, what] =
        packet.kind === 'malformed'
          ? [ERROR_CODE.illegalOperation, packet.why]
          : [ERROR_CODE.unknownTransfer, `${packet.kind.toUpperCase()} of no transfer`]
      refuse({ asked, answer }, { code, reason: `no request: ${what}` })
    },
    async close(): Promise<void> {
      for (const { wire } of transfers) wire.reset('the server is being stopped')
      if (transfers.size > 0)
        await new Promise<void>((resolve) => {
          closed = resolve
        })
    },
  }
}

interface Refusal extends Omit<Denied, 'kind' | 'denial'> {
  readonly code: number
  readonly denial?: Denial
}

const WRITING: Refusal = {
  code: ERROR_CODE.accessViolation,
  reason: 'images are only read here: nothing can be written',
}
const OTHER_MODE: Refusal = {
  code: ERROR_CODE.illegalOperation,
  reason: 'only mode octet (binary) is served: any other would change the bytes',
}

function refusalOf(denied: Denied): Refusal {
  return { code: CODE_OF_DENIAL[denied.denial], ...withoutKind(denied) }
}

function withoutKind({ kind: _, ...denied }: Denied): Omit<Denied, 'kind'> {
  return denied
}

/** Bytes that are at hand as a whole. */
function feed(wire: Wire, bytes: Buffer): void {
  let at = 0
  const more = (): void => {
    const piece = bytes.subarray(at, at + (wire.room?.() ?? bytes.length))
    at += piece.length
    if (piece.length > 0) wire.write(piece, more)
  }
  wire.whenReady?.(more)
}
