/**
 * This machine's own addresses, in the order in which a person wants to see them, and the choice of one for a
 * device by its subnet. Addresses are written canonically: IPv4 as four decimals, IPv6 as in RFC 5952, an
 * IPv4-mapped IPv6 address (RFC 4291 §2.5.5.2) as IPv4, never with a zone.
 *
 * IPv6 link-local addresses are listed and matched but not offered as a line to paste: a URL would need a zone
 * that only the client can know, and no form of writing one in a URL is agreed (RFC 9844).
 */
import { isIP, isIPv4 } from 'node:net'
import type { NetworkInterfaceInfo } from 'node:os'
import ipaddr from 'ipaddr.js'
import { type InterfaceFacts, isTunnel, NO_FACTS } from './interfaces.ts'

export interface OwnAddress {
  readonly address: string
  readonly interface: string
  readonly family: 4 | 6
  /** Prefix length in bits; the full length where the system does not say. */
  readonly prefix: number
  /** The subnet: network address and prefix, `192.0.2.0/24`. */
  readonly cidr: string
  readonly loopback: boolean
  /** 169.254.0.0/16 (RFC 3927) or fe80::/10 (RFC 4291 §2.5.6). */
  readonly linkLocal: boolean
  readonly tunnel: boolean
  /** IPv6 scope id of a link-local address, else null. */
  readonly scopeId: number | null
  /** May stand in a line to paste: neither loopback nor IPv6 link-local. */
  readonly offerable: boolean
}

/** The part of `os.networkInterfaces()` that is read. */
export type InterfaceTable = NodeJS.Dict<readonly InterfaceEntry[]>
type InterfaceEntry = Pick<
  NetworkInterfaceInfo,
  'address' | 'family' | 'mac' | 'internal' | 'cidr' | 'scopeid'
>

const WIRELESS_NAME = /^(wl|wifi|ath\d|wi-fi)|wireless|wlan/i
/** As sockets that listen for both families write it. */
const MAPPED = '::ffff:'
const ZERO_MAC = '00:00:00:00:00:00'
/** One fixed locale, digits by value (`eth2` before `eth10`): the order is the same on every machine. */
const BY_TEXT = new Intl.Collator('en', { numeric: true })

/**
 * The address in canonical form, or undefined when it is none. Takes IPv4-mapped IPv6 back to IPv4, drops zones.
 * Strict: no octal, hexadecimal or short forms of IPv4, which other programs would read differently.
 */
export function normalise(address: string | undefined): string | undefined {
  if (address === undefined) return undefined
  // Nearly every client's, at each request: parsing it in general took a twentieth of what a short fetch costs.
  const plain = address.startsWith(MAPPED) ? address.slice(MAPPED.length) : address
  if (isIPv4(plain)) return plain
  if (isIP(address) === 0) return undefined
  const parsed = ipaddr.process(address.replace(/%.*/, ''))
  return parsed.kind() === 'ipv6' ? (parsed as ipaddr.IPv6).toRFC5952String() : parsed.toString()
}

/** The zone of an address (`eth0` of `fe80::1%eth0`), or undefined. */
export function zoneOf(address: string): string | undefined {
  const at = address.indexOf('%')
  return at === -1 ? undefined : address.slice(at + 1)
}

/** The address as a URL's host: IPv6 in brackets (RFC 3986 §3.2.2), without a zone. */
export function hostForUrl(address: string): string {
  const canonical = normalise(address) ?? address
  return canonical.includes(':') ? `[${canonical}]` : canonical
}

/** One client for the limits: an IPv4 address, or an IPv6 /64, which one machine may fill by itself. */
export function clientGroup(address: string): string {
  const canonical = normalise(address)
  if (canonical === undefined) return address
  if (!canonical.includes(':')) return canonical
  return `${ipaddr.parse(canonical).toByteArray().slice(0, 8).join('.')}/64`
}

/** Own addresses, sorted: private IPv4 by cable first; loopback, link-local and tunnels last. */
export function ownAddresses(
  table: InterfaceTable,
  factsOf: (name: string) => InterfaceFacts = () => NO_FACTS,
): OwnAddress[] {
  const found = Object.entries(table).flatMap(([name, entries = []]) => {
    const facts = factsOf(name)
    return entries.flatMap((entry) => {
      const own = describe(name, entry, facts)
      return own === undefined ? [] : { own, rank: rankOf(own, facts) }
    })
  })
  found.sort(
    (a, b) =>
      a.rank - b.rank ||
      BY_TEXT.compare(a.own.interface, b.own.interface) ||
      BY_TEXT.compare(a.own.address, b.own.address),
  )
  return found.map(({ own }) => Object.freeze(own))
}

/**
 * The own address whose subnet holds `peer`, longest prefix first; among equals the order of `own` decides. A peer with a
 * zone matches only addresses of that interface. Else undefined: a line then bears the first one, on the page the chosen.
 */
export function addressFor(peer: string, own: readonly OwnAddress[]): OwnAddress | undefined {
  const canonical = normalise(peer)
  if (canonical === undefined) return undefined
  const zone = zoneOf(peer)
  const parsed = ipaddr.parse(canonical)
  const near = own.filter(
    (candidate) => (zone === undefined || zoneMatches(candidate, zone)) && holds(subnetOf(candidate), parsed),
  )
  return near.toSorted((a, b) => b.prefix - a.prefix)[0]
}

export type IpAddress = ipaddr.IPv4 | ipaddr.IPv6
/** As ipaddr.js matches with it. */
export type IpRange = readonly [IpAddress, number]

export function holds([range, prefix]: IpRange, address: IpAddress): boolean {
  return range.kind() === address.kind() && address.match(range, prefix)
}

/** Own addresses are few, and asked about at requests and for each row of the page: each is parsed once. */
const subnets = new WeakMap<OwnAddress, IpRange>()

export function subnetOf(own: OwnAddress): IpRange {
  const range = subnets.get(own) ?? ipaddr.parseCIDR(own.cidr)
  subnets.set(own, range)
  return range
}

/** Whether a zone as a socket names it (interface name, or its number on Windows) is that of the address. */
export function zoneMatches(own: OwnAddress, zone: string): boolean {
  return zone === own.interface || zone === String(own.scopeId)
}

function describe(name: string, entry: InterfaceEntry, facts: InterfaceFacts): OwnAddress | undefined {
  const address = normalise(entry.address)
  if (address === undefined) return undefined
  const family = address.includes(':') ? 6 : 4
  const prefix = Number(entry.cidr?.split('/')[1] ?? (family === 4 ? 32 : 128))
  const linkLocal = ipaddr.parse(address).range() === 'linkLocal'
  const mac = entry.mac === ZERO_MAC ? null : entry.mac
  return {
    address,
    interface: name,
    family,
    prefix,
    cidr: `${networkOf(address, prefix, family)}/${prefix}`,
    loopback: entry.internal,
    linkLocal,
    tunnel: isTunnel({ name, mac, loopback: entry.internal, facts }),
    scopeId: family === 6 && linkLocal ? (entry.scopeid ?? null) : null,
    offerable: !entry.internal && !(family === 6 && linkLocal),
  }
}

/** Lower is shown first. */
function rankOf(own: OwnAddress, facts: InterfaceFacts): number {
  const wireless = facts.wireless || WIRELESS_NAME.test(own.interface)
  // RFC 1918 or unique local (RFC 4193).
  const isPrivate = ['private', 'uniqueLocal'].includes(ipaddr.parse(own.address).range())
  return (
    (own.loopback ? 64 : 0) +
    (own.tunnel ? 32 : 0) +
    (own.linkLocal ? 16 : 0) +
    (own.family === 6 ? 8 : 0) +
    (facts.physical === false ? 4 : 0) +
    (wireless ? 2 : 0) +
    (isPrivate ? 0 : 1)
  )
}

function networkOf(address: string, prefix: number, family: 4 | 6): string {
  const cidr = `${address}/${prefix}`
  return family === 4
    ? ipaddr.IPv4.networkAddressFromCIDR(cidr).toString()
    : ipaddr.IPv6.networkAddressFromCIDR(cidr).toRFC5952String()
}
