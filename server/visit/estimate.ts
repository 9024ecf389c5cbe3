/**
 * How long pulls will take at least, from bytes, devices and link rate.
 *
 * The most that TCP carries over Ethernet with IPv4 and no options is 1460/1538 of the line rate: a packet of
 * 1500 octets holds 1460 of payload (20 for IPv4, RFC 791 §3.1; 20 for TCP, RFC 9293 §3.1) and takes 1538 octets on
 * the wire (IEEE 802.3: preamble and start delimiter 8, addresses and type 14, check sequence 4, gap 12). What a
 * device reaches is less, so that the estimate before is a lower bound.
 */

const TCP_SHARE_OF_LINE_RATE = 1460 / 1538
/** Mb/s; shown unless `linkMbps` names others. */
export const USUAL_LINK_MBPS: readonly number[] = Object.freeze([100, 1_000])

export interface Estimate {
  readonly linkMbps: number
  /** At least. */
  readonly seconds: number
}

/** Payload bytes per second that a link carries at most. `linkMbps` in 10^6 bits per second. */
export function mostBytesPerSecond(linkMbps: number): number {
  return ((linkMbps * 1_000_000) / 8) * TCP_SHARE_OF_LINE_RATE
}

/** One estimate a link rate: every byte goes over the laptop's own link, however many devices pull at once. */
export function estimates(bytes: number, linkMbps = USUAL_LINK_MBPS): readonly Estimate[] {
  return linkMbps.map((mbps) => ({ linkMbps: mbps, seconds: bytes / mostBytesPerSecond(mbps) }))
}
