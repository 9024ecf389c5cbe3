/**
 * Who may have what, for every door: the allow list, tunnels, the visit sheet, holds, a ledger that cannot be
 * written, a server that stops. In no protocol's terms: a door maps each denial to what its protocol can say.
 */
import type { Asked } from '../delivery/delivery.ts'
import type { HeldParts } from '../delivery/held-parts.ts'
import { FetchproofError } from '../errors.ts'
import type { ImageReference } from '../ledger/entries.ts'
import type { OwnAddress } from '../network/addresses.ts'
import type { Settings } from '../settings.ts'
import { type FoundImage, type Image, isReady, type ReadyImage, referenceOf } from '../staging/image.ts'
import { stateWords } from '../staging/image-words.ts'
import type { LiveVisit } from '../visit/live-visit.ts'
import { arrivesOverTunnel, createAllowList } from './allow-list.ts'
import { isThisMachine } from './rehearsals.ts'

export type Denial =
  /** The client's address, or the interface that it came over. */
  | 'not allowed'
  /** The visit sheet plans another image for this client, and `--only-planned` is set. */
  | 'not planned'
  | 'unknown name'
  | 'held'
  /** A part of it, to a client that began another version or was not given this one so far: it would hold a mixture. */
  | 'other version'
  /** Still being written or read, or held open by another program; soon. */
  | 'not ready'
  /** Nothing at the moment, whatever is asked for: stopping, no record, too many at once. */
  | 'unavailable'

export interface Denied {
  readonly kind: 'denied'
  readonly denial: Denial
  /** A plain sentence for people. */
  readonly reason: string
  /** What would admit it. */
  readonly hint?: string
  readonly image?: ImageReference
}

export type Admitted =
  | { readonly kind: 'image'; readonly image: ReadyImage }
  | { readonly kind: 'checksum'; readonly image: ReadyImage }
  | { readonly kind: 'list'; readonly images: readonly ReadyImage[] }

type Asking = Pick<Asked, 'client' | 'localAddress' | 'rehearsal'>

export interface Part {
  readonly first: number
  readonly onward: boolean
}

export interface AdmissionDeps {
  readonly settings: Pick<Settings, 'allow' | 'allowTunnels' | 'list'>
  readonly own: () => readonly OwnAddress[]
  readonly find: (target: string) => FoundImage
  readonly images: () => readonly Image[]
  readonly visit: Pick<LiveVisit, 'refusal'>
  readonly partOf: HeldParts['of']
  readonly writable: () => boolean
}

export function createAdmission(deps: AdmissionDeps) {
  // Long: a list of the grounds on which something is denied, in their order.
  const { settings, own } = deps
  const allowList = createAllowList({ allow: settings.allow, own })
  let stopping = false

  function denyClient({ client, localAddress }: Asking): Denied | undefined {
    if (!settings.allowTunnels && arrivesOverTunnel(localAddress, own())) {
      return deny('not allowed', 'the request came over a tunnel interface', HINT_TUNNEL)
    }
    const refused = allowList.refusal(client.address)
    return refused && deny('not allowed', refused.why, refused.hint)
  }

  function denyAll(): Denied | undefined {
    if (stopping) return deny('unavailable', 'the server is being stopped')
    if (deps.writable()) return undefined
    return deny('unavailable', 'the ledger cannot be written: without a record nothing is served')
  }

  /** What this machine fetches itself reaches no device. */
  function isOwnRehearsal(asked: Asking): boolean {
    return asked.rehearsal === true && isThisMachine(asked, own())
  }

  function denyImage(asked: Asking, image: ReadyImage): Denied | undefined {
    if (isOwnRehearsal(asked)) return undefined
    const refused = deps.visit.refusal(asked.client, referenceOf(image))
    return refused && { ...deny('not planned', refused.why, refused.hint), image: referenceOf(image) }
  }

  function admitFound(asked: Asking, found: FoundImage): Admitted | Denied {
    if (found.kind === 'list') {
      if (settings.list) return { kind: 'list', images: deps.images().filter(isReady) }
      return deny('unknown name', 'the checksum list is not offered', HINT_LIST)
    }
    if (found.kind === 'none') {
      const hint = found.nearest === undefined ? '' : `The nearest name is ${found.nearest}.`
      return deny('unknown name', 'no image of that name', hint)
    }
    const { kind, image } = found
    if (!isReady(image)) return denyUnready(image)
    return (kind === 'image' ? denyImage(asked, image) : undefined) ?? { kind, image }
  }

  /**
   * An image is replaced while a device holds a part of it. An answer with the whole new one does not save it: GNU
   * `wget -c` drops as many bytes of that as it holds and appends the rest, and `curl -C -` refuses it once and at its
   * second try gets the rest of what it has been given as new. So it gets nothing, and a person is told.
   */
  function denyPart(asked: Asking, image: ReadyImage, { first, onward }: Part): Denied | undefined {
    const { name, version } = image
    const held = isOwnRehearsal(asked) ? undefined : deps.partOf(asked.client, name)
    if (held === undefined) return undefined
    const denyOther = (reason: string): Denied => ({
      ...deny('other version', reason, HINT_PART),
      image: referenceOf(image),
    })
    if (held.sha256 !== version.sha256)
      return denyOther(`${name} was replaced: this client began another version`)
    // Who was given all of it and asks from beyond its end learns how long it is.
    const from = Math.min(first, version.bytes)
    if (!onward || held.underWay > 0 || from <= held.furthest) return undefined
    return denyOther(
      `${name} was handed over to this client up to byte ${held.furthest}; it asks from byte ${first} on`,
    )
  }

  return {
    /**
     * Whether a client may have what begins at byte `first` (not 0) of an image. `onward`: it asked for all from there on,
     * which says that it holds what is before.
     */
    denyPart,
    /** `target`: as it came, each byte a character; a name or a path, escaped or not. */
    admit: (asked: Asking, target: string): Admitted | Denied =>
      denyClient(asked) ?? denyAll() ?? admitFound(asked, deps.find(target)),
    /** From now on everybody is denied; what is under way goes on. */
    stop(): void {
      stopping = true
    },
  }
}

const HINT_TUNNEL = 'To admit what comes over a tunnel, start again with --allow-tunnels.'
const HINT_LIST = 'To offer it, start again with --list.'
const HINT_PART = 'delete the part on the device, then fetch it again from the start'

function deny(denial: Denial, reason: string, hint = ''): Denied {
  return { kind: 'denied', denial, reason, ...(hint !== '' && { hint }) }
}

function denyUnready(image: Image): Denied {
  const { name, state, reason } = image
  if (state !== 'held')
    return deny('not ready', `${name} is ${stateWords(state)}${reason === undefined ? '' : `: ${reason}`}`)
  return {
    ...deny('held', `${name} is held: ${reason ?? 'no reason given'}`),
    ...(image.version && { image: referenceOf(image) }),
  }
}

const DENIAL_OF_ERROR: Partial<Record<FetchproofError['code'], Denial>> = {
  FP_BUSY: 'unavailable',
  FP_IMAGE_CHANGED: 'not ready',
  FP_IMAGE_UNREADABLE: 'not ready',
  FP_IMAGE_NOT_READY: 'not ready',
  FP_LEDGER_FULL: 'unavailable',
  FP_LEDGER_UNWRITABLE: 'unavailable',
  FP_LEDGER_CLOSED: 'unavailable',
}

/** What a fetch met on its beginning, as a denial; undefined for a fault of ours. */
export function denialOf(error: unknown): Denied | undefined {
  if (!(error instanceof FetchproofError)) return undefined
  const denial = DENIAL_OF_ERROR[error.code]
  return denial && deny(denial, error.message)
}
