/**
 * A real network boot firmware (iPXE, from Debian's package `ipxe`) in an emulated machine (`qemu-system-x86`)
 * fetches an image over an emulated network card, by HTTP and by TFTP: a device whose protocols are none of ours, with
 * a hardware address of its own. Measured without hardware virtualisation on two busy
 * cores: 14 to 23 s.
 */
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { type Cable, DEVICE, LAPTOP, layCable } from '../clients/emulated-machine.ts'
import { imageBytes, serveFolder, sha256, stagingFolder } from '../clients/served.ts'
import { audit } from '../commands/in-process.ts'
import { needs } from '../needs.ts'

const FIRMWARE = '/usr/lib/ipxe/ipxe.lkrn'
const IMAGE = imageBytes(3_000_001, 'boot')

test.each(['http', 'tftp'])(
  'boot firmware pulls an image whole by %s, and is known by its hardware address',
  {
    timeout: 120_000,
    ...needs('network namespaces', 'tap devices', 'qemu-system-x86_64', 'ipxe'),
  },
  async (door) => {
    const cable = await layCable(`boot-${door}`, onTestFinished)
    const folder = await stagingFolder({ 'panel.bin': IMAGE }, onTestFinished)
    const served = await serveFolder(folder, {
      cleanUp: onTestFinished,
      listen: LAPTOP,
      under: cable.under,
      // The emulated cable is a tap device, which counts as a tunnel.
      flags: ['--allow-tunnels', '--tftp'],
    })
    await served.image('panel.bin')
    const host = door === 'tftp' ? LAPTOP : `${LAPTOP}:${served.port}`
    await boot(cable, `${door}://${host}/panel.bin`)
    const ended = await served.entry('fetch-ended', ({ ending }) => ending !== 'headers-only', 60_000)
    expect(ended).toMatchObject({ ending: 'delivered', bytesHandedOver: IMAGE.length })
    expect(await served.stop()).toBe(0)
    const { pulls, ledger } = await audit(folder)
    expect(ledger.intact).toBe(true)
    expect(pulls).toHaveLength(1)
    expect(pulls[0]).toMatchObject({
      client: DEVICE,
      state: 'complete',
      bytesCovered: IMAGE.length,
      image: { name: 'panel.bin', sha256: sha256(IMAGE) },
      shared: false,
    })
  },
)

/** Boots the firmware with a script that fetches the address until it has it, and then switches off. */
async function boot(cable: Cable, url: string): Promise<void> {
  const folder = await stagingFolder({}, onTestFinished)
  const script = join(folder, 'script.ipxe')
  const lines = [
    '#!ipxe',
    'ifopen net0',
    `set net0/ip ${DEVICE.address}`,
    'set net0/netmask 255.255.255.0',
    ':again',
    `imgfetch ${url} || goto again`,
    'poweroff',
  ]
  await writeFile(script, `${lines.join('\n')}\n`)
  cable.boot('qemu-system-x86_64', 'virtio-net-pci,romfile=', [
    ...['-serial', 'none', '-m', '128', '-kernel', FIRMWARE, '-initrd', script],
  ])
}
