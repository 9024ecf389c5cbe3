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

/** ATF_COM of linux/if_arp.h: the entry is complete. */
const ENTRY_COMPLETE = 0x02

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

/** Linux /proc/net/arp: address, hardware type, flags, hardware address, mask, device (man 5 proc). */
export function parseProcArp(text: string): Neighbour[] {
  return parseLines(text, (line) => {
    const [address = '', , flags = '', mac = '', , device] = line.split(/\s+/)
    if ((Number.parseInt(flags, 16) & ENTRY_COMPLETE) === 0) return undefined
    return neighbour(address, mac, device)
  })
}

/** `ip neigh`: `2001:db8::1 dev eth0 lladdr 00:00:5e:00:53:01 router REACHABLE`. */
export function parseIpNeigh(text: string): Neighbour[] {
  return parseLines(text, (line) => {
    const words = line.split(/\s+/)
    if (words.some((word) => word === 'FAILED' || word === 'INCOMPLETE')) return undefined
    return neighbour(words[0] ?? '', after(words, 'lladdr') ?? '', after(words, 'dev'))
  })
}

/**
 * `arp -an` (`? (192.0.2.7) at 0:0:5e:0:53:1 on en0 ifscope [ethernet]`) and Windows `arp -a`
 * (`192.0.2.7   00-00-5e-00-53-01   dynamic`).
 */
export function parseArpTool(text: string): Neighbour[] {
  return parseLines(text, (line) => {
    const words = line.split(/\s+/)
    const first = words[0] ?? ''
    if (normalise(first) !== undefined) return neighbour(first, words[1] ?? '', undefined)
    const address = /\(([^)]+)\) at (\S+)/.exec(line)
    return neighbour(address?.[1] ?? '', address?.[2] ?? '', after(words, 'on'))
  })
}

/** `ndp -an`: `2001:db8::7   0:0:5e:0:53:1   en0 23h59m58s S R`. */
export function parseNdpTool(text: string): Neighbour[] {
  return parseLines(text, (line) => {
    const [address = '', mac = '', device] = line.split(/\s+/)
    return neighbour(address, mac, device)
  })
}

/** `netsh interface ipv6 show neighbors`: `2001:db8::7   00-00-5e-00-53-01   Reachable`, grouped by interface. */
export function parseNetshNeighbours(text: string): Neighbour[] {
  return parseLines(text, (line) => {
    const [address = '', mac = ''] = line.split(/\s+/)
    return neighbour(address, mac, undefined)
  })
}

function parseLines(text: string, parse: (line: string) => Neighbour | undefined): Neighbour[] {
  const found: Neighbour[] = []
  for (const line of text.split('\n')) {
    const one = parse(line.trim())
    if (one !== undefined) found.push(one)
  }
  return found
}

function neighbour(addressText: string, macText: string, device: string | undefined): Neighbour | undefined {
  const address = normalise(addressText)
  const mac = normaliseMac(macText)
  if (address === undefined || mac === undefined) return undefined
  return { address, mac, device: device ?? zoneOf(addressText) }
}

function after(words: readonly string[], key: string): string | undefined {
  const at = words.indexOf(key)
  return at === -1 ? undefined : words[at + 1]
}
