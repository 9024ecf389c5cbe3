/**
 * Which options of a request are granted (RFC 2347): only those that were asked, never a value above the one asked.
 * A value that its RFC does not know is left unanswered, as if the option had not been asked.
 */
import { DEFAULT_BLOCK_BYTES, type Option } from './packets.ts'

/** What both sides keep to. */
export interface Terms {
  readonly blockBytes: number
  /** Blocks sent before an acknowledgement is waited for (RFC 7440). */
  readonly windowBlocks: number
  /** Asked by the client: so long before a block is sent again (RFC 2349). */
  readonly timeoutMs?: number
}

export type Granted = ReturnType<typeof grantOptions>

interface Offer {
  /** Bytes of the image. */
  readonly bytes: number
  /** Largest block that passes the interface unfragmented. */
  readonly blockBytesAtMost: number
  /** The client is believed to rehearse. */
  readonly rehearses?: boolean
}

/** The option by which a rehearsal says what it is, with the code, and hears that it is believed. */
export const REHEARSAL_OPTION = 'fetchproof-rehearsal'

/** RFC 2348: 8 to 65,464. */
const BLOCK_BYTES = { least: 8, most: 65_464 }
const WINDOW_BLOCKS_AT_MOST = 64
/** A transfer that stands still holds its window: 64 blocks of 1,468 bytes fit, fewer of larger ones. */
const WINDOW_BYTES_AT_MOST = 128 * 1024

export function grantOptions(asked: readonly Option[], offer: Offer) {
  const numberOf = (wanted: string, least: number, most: number): number | undefined => {
    const found = asked.find(({ name }) => name.toLowerCase() === wanted)
    const value = found !== undefined && /^\d{1,10}$/.test(found.value) ? Number(found.value) : undefined
    return value === undefined || value < least || value > most ? undefined : value
  }
  const block = numberOf('blksize', BLOCK_BYTES.least, Number.MAX_SAFE_INTEGER)
  const blockBytes =
    block === undefined ? DEFAULT_BLOCK_BYTES : Math.min(block, offer.blockBytesAtMost, BLOCK_BYTES.most)
  const window = numberOf('windowsize', 1, 65_535)
  const fitting = Math.max(1, Math.floor(WINDOW_BYTES_AT_MOST / blockBytes))
  const windowBlocks = Math.min(window ?? 1, WINDOW_BLOCKS_AT_MOST, fitting)
  const timeout = numberOf('timeout', 1, 255)
  const size = numberOf('tsize', 0, Number.MAX_SAFE_INTEGER)
  const answers = new Map<string, number | string | undefined>([
    ['blksize', block && blockBytes],
    ['windowsize', window && windowBlocks],
    // The same value or none (RFC 2349).
    ['timeout', timeout],
    ['tsize', size === undefined ? undefined : offer.bytes],
    [REHEARSAL_OPTION, offer.rehearses === true ? 'yes' : undefined],
  ])
  return {
    terms: { blockBytes, windowBlocks, ...(timeout !== undefined && { timeoutMs: timeout * 1000 }) },
    /** In the order and the spelling of the request; empty: no option acknowledgement is sent. */
    options: asked.flatMap(({ name }) => {
      const value = answers.get(name.toLowerCase())
      return value === undefined ? [] : [{ name, value: String(value) }]
    }),
  }
}
