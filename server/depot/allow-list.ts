/**
 * Which clients may fetch. By default the private ranges (RFC 1918), link-local (RFC 3927, RFC 4291 §2.5.6),
 * unique local (RFC 4193), loopback, and the laptop's own subnets; ranges given with --allow replace all of
 * these. Independent of that, what arrives on an address of a tunnel interface can be told apart.
 */
import { isIP } from 'node:net'
import ipaddr from 'ipaddr.js'
import { FetchproofError } from '../errors.ts'
import {
  holds,
  type IpAddress,
  type IpRange,
  normalise,
  type OwnAddress,
  subnetOf,
  zoneMatches,
  zoneOf,
} from '../network/addresses.ts'

/** By the names that ipaddr.js has for them; always admitted unless --allow replaces them. */
const DEFAULT_RANGES: ReadonlySet<string> = new Set(['private', 'linkLocal', 'uniqueLocal', 'loopback'])

/** `own` is asked each time, so that a subnet joined while serving counts. Throws FP_CIDR_BAD for a range that is none. */
export function createAllowList(options: {
  readonly allow: readonly string[]
  readonly own: () => readonly OwnAddress[]
}) {
  const replaced = options.allow.length > 0
  const ranges = options.allow.map(parseRange)

  function admits(address: IpAddress): boolean {
    if (replaced) return ranges.some((range) => holds(range, address))
    return DEFAULT_RANGES.has(address.range()) || options.own().some((own) => inSubnet(own, address))
  }

  return {
    /** Why this client may not fetch, and the flag that would admit it; undefined when it may. */
    refusal(clientAddress: string | undefined): { readonly why: string; readonly hint: string } | undefined {
      const address = normalise(clientAddress)
      if (address === undefined) {
        return { hint: '', why: 'The client was gone before its address could be read.' }
      }
      if (admits(ipaddr.parse(address))) return undefined
      return {
        hint: `To admit it, start again with --allow ${address}/${address.includes(':') ? 128 : 32}.`,
        why: replaced
          ? `${address} is in none of the ranges given with --allow.`
          : `${address} is neither private, link-local nor in a subnet of this machine. --allow replaces these ranges: name every range that may fetch.`,
      }
    },
  }
}

/**
 * Whether a connection that came to `localAddress` came over a tunnel interface. The local address is the only
 * evidence: a host at the far end of a tunnel that reaches another address of this machine through it is not
 * told apart. Where one address stands on several interfaces and no zone decides, one tunnel is enough.
 */
export function arrivesOverTunnel(localAddress: string | undefined, own: readonly OwnAddress[]): boolean {
  const address = normalise(localAddress)
  if (address === undefined || localAddress === undefined) return false
  const zone = zoneOf(localAddress)
  return own.some(
    (candidate) =>
      candidate.address === address &&
      candidate.tunnel &&
      (zone === undefined || zoneMatches(candidate, zone)),
  )
}

/** A range or a single address; IPv4-mapped IPv6 becomes IPv4. Throws FP_CIDR_BAD. */
function parseRange(text: string): IpRange {
  const [address = '', bits, ...more] = text.trim().split('/')
  const full = isIP(address) === 4 ? 32 : 128
  const prefix = bits === undefined ? full : /^\d{1,3}$/.test(bits) ? Number(bits) : Number.NaN
  if (more.length > 0 || isIP(address) === 0 || address.includes('%') || !(prefix <= full)) {
    throw new FetchproofError('FP_CIDR_BAD', { value: text })
  }
  const parsed = ipaddr.parse(address)
  if (isMapped(parsed) && prefix >= 96) return [parsed.toIPv4Address(), prefix - 96]
  return [parsed, prefix]
}

/** A prefix of 0, as some point-to-point links show it, is no subnet: it would admit the whole world. */
function inSubnet(own: OwnAddress, address: IpAddress): boolean {
  return own.prefix > 0 && holds(subnetOf(own), address)
}

function isMapped(address: IpAddress): address is ipaddr.IPv6 {
  return address.kind() === 'ipv6' && (address as ipaddr.IPv6).isIPv4MappedAddress()
}
