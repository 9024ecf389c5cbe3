/** The largest packet that an interface sends in one piece. */
import { readFileSync } from 'node:fs'

/** Ethernet's (IEEE 802.3), where the system does not say. */
const USUAL_BYTES = 1500

/** Linux: sysfs(5). */
export function largestPacket(interfaceName: string): number {
  try {
    const bytes = Number(readFileSync(`/sys/class/net/${interfaceName}/mtu`, 'latin1'))
    return bytes > 0 ? bytes : USUAL_BYTES
  } catch {
    return USUAL_BYTES
  }
}
