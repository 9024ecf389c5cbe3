/** Whom an address belongs to as the limits count clients. */
import ipaddr from 'ipaddr.js'
import { normalise } from './addresses.ts'

/** One client for the limits: an IPv4 address, or an IPv6 /64, which one machine may fill by itself. */
export function clientGroup(address: string): string {
  const canonical = normalise(address)
  if (canonical === undefined) return address
  if (!canonical.includes(':')) return canonical
  return `${ipaddr.parse(canonical).toByteArray().slice(0, 8).join('.')}/64`
}
