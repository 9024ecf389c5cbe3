/**
 * What the system says of an interface, and whether it is a tunnel. That is told from several pieces of evidence: a link without a hardware address, the
 * hardware type and the tun flags that Linux shows in /sys/class/net (values of linux/if_arp.h), and names that
 * systems commonly give (common practice). A wrong "tunnel" costs one flag; a missed one opens the image port to
 * whoever is at the other end, so that any single piece is enough.
 */
import { existsSync, readFileSync } from 'node:fs'
import { join } from 'node:path'

const SYSFS = '/sys/class/net'

/** What the system says about an interface besides its addresses. */
export interface InterfaceFacts {
  /** ARPHRD_… number of linux/if_arp.h, where known. */
  readonly hardwareType: number | null
  /** It was made by the tun driver (layer 3 or layer 2). */
  readonly tun: boolean
  readonly wireless: boolean
  /** A device stands behind it; null where the system does not say. */
  readonly physical: boolean | null
}

export const NO_FACTS: InterfaceFacts = Object.freeze({
  hardwareType: null,
  tun: false,
  wireless: false,
  physical: null,
})

/**
 * ARPHRD_ numbers of linux/if_arp.h that are point-to-point or carry IP in something else. Needed beside the
 * absent hardware address: for GRE the system reports the tunnel's own IP address as a hardware address.
 */
const TUNNEL_TYPES: ReadonlySet<number> = new Set([
  256, // SLIP
  257, // CSLIP
  258, // SLIP6
  259, // CSLIP6
  512, // PPP
  519, // RAWIP
  768, // TUNNEL (IP in IP)
  769, // TUNNEL6
  776, // SIT (IPv6 in IPv4)
  777, // IPDDP
  778, // IPGRE
  823, // IP6GRE
  65534, // NONE: no header, as layer 3 tunnels have
])

/** Generic beginnings of interface names, a number after them (common practice). */
const TUNNEL_NAME =
  /^(u?tun|tap|ppp|pppoe|slip|sl|wg|ipsec|ip6?tnl|tunl|ip6?gre|gre|gretap|sit|stf|gif|vti|ip_?vti|xfrm|l2tp|pptp|sstp|vpn)[\d_-]*$/i
/** Words of the longer names that Windows uses; Teredo and ISATAP are RFC 4380 and RFC 5214. */
const TUNNEL_WORD = /\b(vpn|tunnel(l?ing)?|teredo|isatap|6to4)\b/i

/** True when any piece of evidence says so. `mac` is null where the system shows none (all zeros). */
export function isTunnel(evidence: {
  readonly name: string
  readonly mac: string | null
  readonly loopback: boolean
  readonly facts: InterfaceFacts
}): boolean {
  if (evidence.loopback) return false
  const { facts, name } = evidence
  if (facts.tun || (facts.hardwareType !== null && TUNNEL_TYPES.has(facts.hardwareType))) return true
  return evidence.mac === null || TUNNEL_NAME.test(name) || TUNNEL_WORD.test(name)
}

/** Facts from /sys/class/net (Linux, sysfs(5)); nothing known elsewhere. Never throws. */
export function readInterfaceFacts(name: string, root = SYSFS): InterfaceFacts {
  // An alias (`eth0:1`) is listed by its own name but stands in /sys under the device's.
  const device = name.split(':')[0] ?? name
  if (device === '' || /[/\\]|^\.+$/.test(device)) return NO_FACTS
  const folder = join(root, device)
  const type = Number.parseInt(readOrEmpty(join(folder, 'type')), 10)
  if (Number.isNaN(type)) return NO_FACTS
  return {
    hardwareType: type,
    tun: existsSync(join(folder, 'tun_flags')),
    wireless: existsSync(join(folder, 'wireless')) || existsSync(join(folder, 'phy80211')),
    physical: existsSync(join(folder, 'device')),
  }
}

/** The largest packet that it sends in one piece; where the system does not say, Ethernet's (IEEE 802.3). */
export function largestPacket(name: string): number {
  return Number(readOrEmpty(join(SYSFS, name, 'mtu'))) || 1500
}

function readOrEmpty(path: string): string {
  try {
    return readFileSync(path, 'latin1')
  } catch {
    return ''
  }
}
