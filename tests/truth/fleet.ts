/** The devices of a truth run, in the groups that act together, and the visit sheet that plans them all. */
import { BEHAVIOURS, type Behaviour, SHARED_BEHAVIOURS } from './behaviours.ts'
import { createDevice, type Device } from './device.ts'
import type { Images } from './images.ts'
import { createRandom, type Random } from './random.ts'
import type { Site } from './site.ts'

export interface Member {
  readonly device: Device
  readonly behaviour: Behaviour
}

/** Most are alone behind their address, some share it. */
export function createFleet(site: Site, count: number, seed: number, random: Random): Member[][] {
  const groups: Member[][] = []
  let number = 0
  while (number < count) {
    const together = random.chance(0.04) ? Math.min(count - number, random.whole(2, 4)) : 1
    const address = addressOf(groups.length)
    const image = imageFor(site.images, random, false)
    const group: Member[] = []
    const portsUsed = new Set<number | string>()
    for (let each = 0; each < together; each += 1, number += 1) {
      const behaviour = random.weighted(together === 1 ? BEHAVIOURS : SHARED_BEHAVIOURS)
      const own = behaviour.restless === true ? imageFor(site.images, random, true) : image
      const device = createDevice(site, {
        number,
        address,
        behaviour: behaviour.name,
        image: own,
        planned: own,
        random: createRandom(`${seed} device ${number}`),
        portsUsed,
      })
      group.push({ device, behaviour })
    }
    groups.push(group)
  }
  return groups
}

export function nameOf({ number }: Pick<Device, 'number'>): string {
  return `unit-${number}`
}

/** Version that the sheet states as the target of every device, and another one. */
export const TARGET = '2.0'
export const NOT_THE_TARGET = '1.9'

/** A row a device (RFC 4180). `macs`: hardware addresses by name, where the network shows them. */
export function sheetOf(devices: readonly Device[], macs?: ReadonlyMap<string, string>): string {
  const rows = devices.map((device) => {
    const name = nameOf(device)
    return [name, device.address, macs?.get(name) ?? '', device.planned, TARGET].join(',')
  })
  return ['device,address,mac,image,version_target', ...rows, ''].join('\r\n')
}

function imageFor({ list }: Images, random: Random, restless: boolean): string {
  const fitting = list.filter((image) => image.restless === restless)
  if (restless) return fitting[random.whole(0, fitting.length - 1)]?.name ?? ''
  return random.weighted(fitting).name
}

/** Out of 127.0.0.0/8 (RFC 1122 §3.2.1.3), which is this machine itself on Linux and Windows; not 127.0.0.1. */
function addressOf(index: number): string {
  const at = index + 256 * 256
  return `127.${at >> 16}.${(at >> 8) & 255}.${at & 255}`
}
