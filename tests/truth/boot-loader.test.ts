/**
 * A real boot loader (U-Boot, from Debian's package `u-boot-qemu`) in an emulated ARM machine (`qemu-system-arm`) pulls an
 * image by TFTP at its usual port, computes CRC-32 over its own memory with its own command, and that line, given to
 * `match`, confirms the device: its own word, end to end.
 */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { type Console, consoleOf, DEVICE, LAPTOP, layCable } from '../clients/emulated-machine.ts'
import { PROGRAM, run } from '../clients/program.ts'
import { imageBytes, serveFolder, stagingFolder } from '../clients/served.ts'
import { audit } from '../commands/in-process.ts'
import { needs } from '../needs.ts'

const FIRMWARE = '/usr/lib/u-boot/qemu_arm/u-boot.bin'
const IMAGE = imageBytes(3_000_001, 'loader')
const PROMPT = '=> '
const MEMORY = '0x42000000'
const DIGEST_LINE = /^crc32 for .* ==> [0-9a-f]{8}\s/im

test('a boot loader pulls by TFTP, and its own crc32 of its memory confirms the device', {
  timeout: 180_000,
  ...needs('network namespaces', 'tap devices', 'qemu-system-arm', 'u-boot-qemu'),
}, async () => {
  const cable = await layCable('loader', onTestFinished)
  const sheet = `device,address,image\nharrowick-radio1,${DEVICE.address},radio.bin\n`
  const folder = await stagingFolder({ 'radio.bin': IMAGE }, onTestFinished)
  writeFileSync(join(folder, 'visit.csv'), sheet)
  const served = await serveFolder(folder, {
    cleanUp: onTestFinished,
    listen: LAPTOP,
    under: cable.under,
    // The emulated cable is a tap device, which counts as a tunnel.
    flags: ['--allow-tunnels', '--tftp', '--only-planned'],
  })
  await Promise.all([served.image('radio.bin'), served.entry('sheet')])
  const machine = cable.boot('qemu-system-arm', 'virtio-net-device', [
    ...['-M', 'virt', '-m', '256', '-serial', 'stdio', '-bios', FIRMWARE],
  ])
  const printed = await pullAndPrint(consoleOf(machine, 90_000))
  expect(await served.entry('fetch-ended', ({ ending }) => ending !== 'headers-only')).toMatchObject({
    ending: 'delivered',
    bytesHandedOver: IMAGE.length,
  })
  expect((await audit(folder)).pulls).toMatchObject([{ client: DEVICE, state: 'complete' }])
  expect(await standing(folder)).toBe('pulled')
  const [ip = '', ...inside] = cable.under
  const match = ['match', '--device', 'harrowick-radio1', '--folder', folder, printed]
  const matched = await run(ip, [...inside, process.execPath, PROGRAM, ...match])
  expect(matched, matched.stdout + matched.stderr).toMatchObject({ status: 0 })
  await served.entry('observed')
  expect(await standing(folder)).toBe('confirmed')
})

/** What a person types at the console. Resolves with the line that its `crc32` prints. */
async function pullAndPrint(console: Console): Promise<string> {
  await console.until('Hit any key')
  await console.type('', PROMPT)
  await console.type(`setenv ipaddr ${DEVICE.address}`, PROMPT)
  await console.type(`setenv serverip ${LAPTOP}`, PROMPT)
  await console.type(`tftpboot ${MEMORY} radio.bin`, `Bytes transferred = ${IMAGE.length}`)
  // What the command before still prints, its prompt included, comes first; and the arrow ends as the prompt does.
  const printed = await console.type(`crc32 ${MEMORY} \${filesize}`, DIGEST_LINE)
  const line = DIGEST_LINE.exec(printed)?.[0].trim()
  if (line === undefined) throw new Error('crc32 printed no line')
  return line
}

async function standing(folder: string): Promise<string> {
  const outcome = await run(process.execPath, [PROGRAM, 'audit', folder, '--plan', '--format', 'json'])
  expect(outcome.stderr).toBe('')
  const { plan } = JSON.parse(outcome.stdout) as { plan: { devices: { standing: string }[] } }
  return plan.devices[0]?.standing ?? ''
}
