/** Whom an address belongs to as the limits count clients. */
import ipaddr from 'ipaddr.js'

/** One client for the limits: an IPv4 address, or an IPv6 /64, which one machine may fill by itself. */
export function clientGroup(address: string): string {
  if (!ipaddr.isValid(address)) return address
  const parsed = ipaddr.process(address)
  if (parsed.kind() === 'ipv4') return parsed.toString()
  return `${parsed.toByteArray().slice(0, 8).join('.')}/64`
}
