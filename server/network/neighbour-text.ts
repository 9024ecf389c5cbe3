/**
 * Reading the texts in which systems show their neighbour tables. The tools speak the user's language on some
 * systems, so that shapes (an address, a hardware address) are looked for and words only where they are fixed.
 * Left out: entries without a complete unicast hardware address.
 */
import { normalise, zoneOf } from './addresses.ts'

export interface Neighbour {
  readonly address: string
  /** Lower case, colons, two digits each: `00:00:5e:00:53:01`. */
  readonly mac: string
  /** Interface, where the text names it in the address's line. */
  readonly device: string | undefined
}

/** A line of each table, blanks around it gone. `device`: where the line names the interface. */
export const LINE = {
  /**
   * Linux /proc/net/arp (proc(5)): `192.0.2.7  0x1  0x2  00:00:5e:00:53:01  *  eth0`. Complete are those whose flags have
   * ATF_COM, 2 of linux/if_arp.h.
   */
  procArp: /^(?<address>\S+)\s+\S+\s+0x[\da-f]*[2367abef]\s+(?<mac>\S+)\s+\S+\s+(?<device>\S+)/,
  /** `ip neigh`: `2001:db8::1 dev eth0 lladdr 00:00:5e:00:53:01 router REACHABLE`. */
  ipNeigh: /^(?<address>\S+) dev (?<device>\S+) lladdr (?<mac>\S+)(?!.*\b(?:FAILED|INCOMPLETE)\b)/,
  /**
   * `arp -an` (`? (192.0.2.7) at 0:0:5e:0:53:1 on en0 ifscope [ethernet]`), and in columns Windows `arp -a`
   * (`192.0.2.7   00-00-5e-00-53-01   dynamic`) and `netsh interface ipv6 show neighbors`.
   */
  arp: /^(?:\S+ \()?(?<address>[^\s)]+)\)?\s+(?:at )?(?<mac>\S+)(?:.* on (?<device>\S+))?/,
  /** `ndp -an`: `2001:db8::7   0:0:5e:0:53:1   en0 23h59m58s S R`. */
  ndp: /^(?<address>\S+)\s+(?<mac>\S+)\s+(?<device>\S+)/,
} as const

export function readNeighbours(text: string, line: RegExp): Neighbour[] {
  return text.split('\n').flatMap((one) => {
    const { address: from = '', mac: hardware = '', device } = line.exec(one.trim())?.groups ?? {}
    const address = normalise(from)
    const mac = normaliseMac(hardware)
    return address === undefined || mac === undefined ? [] : { address, mac, device: device ?? zoneOf(from) }
  })
}

/**
 * A hardware address of six octets in any common form (`00:00:5e:00:53:01`, `0:0:5e:0:53:1`, `00-00-5E-00-53-01`,
 * `0000.5e00.5301`, `00005e005301`) as `00:00:5e:00:53:01`, or undefined; also undefined for all zeros and for
 * group addresses (the lowest bit of the first octet, IEEE 802), which no single device has.
 */
export function normaliseMac(text: string): string | undefined {
  const octets = octetsOf(text.toLowerCase())
  if (octets === undefined || Number.parseInt(octets[0] ?? '', 16) & 1) return undefined
  const mac = octets.map((octet) => octet.padStart(2, '0')).join(':')
  return mac === '00:00:00:00:00:00' ? undefined : mac
}

function octetsOf(text: string): readonly string[] | undefined {
  // Twelve digits in groups of any length, with one sign or a blank between them.
  const between = /^[0-9a-f]+([-:. ])(?:[0-9a-f]+\1)*[0-9a-f]+$/.exec(text)?.[1]
  const digits = between === undefined ? text : text.replaceAll(between, '')
  if (/^[0-9a-f]{12}$/.test(digits)) return digits.match(/../g) ?? undefined
  const separator = /^[0-9a-f]{1,2}([:-])(?:[0-9a-f]{1,2}\1){4}[0-9a-f]{1,2}$/.exec(text)?.[1]
  return separator === undefined ? undefined : text.split(separator)
}
