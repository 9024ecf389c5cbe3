/**
 * A real network boot firmware (iPXE, from Debian's package `ipxe`) in an emulated machine (`qemu-system-x86`)
 * fetches an image over an emulated network card: a device whose TCP and HTTP are none of ours, with a hardware
 * address of its own. All in a network namespace that the test makes and removes; addresses from RFC 5737
 * (TEST-NET-1), the hardware address from RFC 7042 §2.1.2. Measured without hardware virtualisation on two busy
 * cores: 14 to 23 s.
 */
import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { audit, run } from '../clients/program.ts'
import { imageBytes, serveFolder, sha256, stagingFolder } from '../clients/served.ts'
import { needs } from '../needs.ts'

const FIRMWARE = '/usr/lib/ipxe/ipxe.lkrn'
const MACHINE = 'qemu-system-x86_64'
const NAMESPACE = `fetchproof-boot-${process.pid}`
const SERVER = '192.0.2.10'
const DEVICE = { address: '192.0.2.42', mac: '00:00:5e:00:53:2a' }
const IMAGE = imageBytes(3_000_001, 'boot')

test('boot firmware pulls an image whole, and is known by its hardware address', {
  timeout: 120_000,
  ...needs('network namespaces', 'tap devices', 'qemu-system-x86_64', 'ipxe'),
}, async () => {
  await layNetwork()
  const folder = await stagingFolder({ 'panel.bin': IMAGE }, onTestFinished)
  const served = await serveFolder(folder, {
    cleanUp: onTestFinished,
    listen: SERVER,
    under: ['ip', 'netns', 'exec', NAMESPACE],
    // The emulated cable is a tap device, which counts as a tunnel.
    flags: ['--allow-tunnels'],
  })
  await served.image('panel.bin')
  await boot(`http://${SERVER}:${served.port}/panel.bin`)
  const ended = await served.entry('fetch-ended', undefined, 60_000)
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
})

async function layNetwork(): Promise<void> {
  const ip = async (...args: string[]): Promise<void> => {
    const { status, stderr } = await run('ip', args)
    expect(status, `ip ${args.join(' ')}: ${stderr}`).toBe(0)
  }
  await ip('netns', 'add', NAMESPACE)
  onTestFinished(() => ip('netns', 'delete', NAMESPACE))
  await ip('-n', NAMESPACE, 'link', 'set', 'lo', 'up')
  await ip('-n', NAMESPACE, 'tuntap', 'add', 'dev', 'tap0', 'mode', 'tap')
  await ip('-n', NAMESPACE, 'address', 'add', `${SERVER}/24`, 'dev', 'tap0')
  await ip('-n', NAMESPACE, 'link', 'set', 'tap0', 'up')
}

/** Boots the firmware with a script that fetches the address until it has it, and then switches off. */
async function boot(url: string): Promise<void> {
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
  const machine = spawn(
    'ip',
    [
      ...['netns', 'exec', NAMESPACE, MACHINE, '-display', 'none', '-monitor', 'none', '-serial', 'none'],
      ...['-no-reboot', '-m', '128', '-kernel', FIRMWARE, '-initrd', script],
      ...['-netdev', 'tap,id=cable,ifname=tap0,script=no,downscript=no'],
      ...['-device', `virtio-net-pci,netdev=cable,mac=${DEVICE.mac},romfile=`],
    ],
    { stdio: 'ignore' },
  )
  const gone = once(machine, 'exit')
  onTestFinished(async () => {
    machine.kill('SIGKILL')
    await gone
  })
}
