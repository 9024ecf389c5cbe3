/** An evening at the branch libraries of an invented county, for the page's tests and pictures. */
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { gzipSync } from 'node:zlib'
import { type Device, device, noise, type Running } from '../bench/running.ts'

export interface Library {
  /** Stages the images, then the sheet. */
  stage(): Promise<void>
  /** A whole pull of this device's planned image. */
  pull(at: number): Promise<void>
  /** Takes so many bytes of its planned image, or of another one, and goes on only when told. */
  begin(at: number, pauseAt: number, path?: string): Device
  readonly names: readonly string[]
  readonly images: readonly string[]
}

const ROOMS = ['reading-room', 'lending-desk', 'hall', 'cellar', 'attic', 'returns', 'stack', 'office']
const IMAGES = [
  'reading-room-switch_4.4.2.bin',
  'lending-desk-radio_2.8.1.img',
  'desk-phone_5.11.0.bin.gz',
  'stack-door-controller_2.0.3.bin',
  'returns-scanner_1.9.4.bin',
  'hall-gateway_7.2.0.bin',
]
/** More than a loopback connection takes at once, so that a device that stops reading stops the transfer. */
const IMAGE_BYTES = 24 * 1024 * 1024

/** Devices from 127.0.0.11 on, each with one of the images in turn. */
export function library(run: Running, devices: number, images: number, imageBytes = IMAGE_BYTES): Library {
  const names = Array.from(
    { length: devices },
    (_, at) => `${ROOMS[at % ROOMS.length]}-${Math.floor(at / ROOMS.length) + 1}`,
  )
  const files = Array.from({ length: images }, (_, at) => IMAGES[at] ?? `branch-device-${at}_1.0.${at}.bin`)
  const addressOf = (at: number): string => `127.0.${Math.floor((at + 11) / 200)}.${((at + 11) % 200) + 1}`
  const imageOf = (at: number): string => files[at % images] ?? ''
  const pathOf = (at: number): string => `/${imageOf(at)}`
  const open = (at: number, path: string, pauseAt?: number): Device =>
    device({ port: run.imagePort, path, from: addressOf(at), ...(pauseAt !== undefined && { pauseAt }) })
  return {
    names,
    images: files,
    async stage() {
      for (const [at, name] of files.entries()) {
        const bytes = images > 20 ? noise(4_000, at + 1) : noise(imageBytes, at + 1)
        await writeFile(join(run.folder, name), name.endsWith('.gz') ? gzipSync(bytes, { level: 1 }) : bytes)
      }
      const rows = names.map((name, at) => `${name},${addressOf(at)},${imageOf(at)},${before(imageOf(at))}`)
      await writeFile(
        join(run.folder, 'visit.csv'),
        `device,address,image,version_before\n${rows.join('\n')}\n`,
      )
      await run.depot.catalogue.rescan()
      await run.depot.catalogue.idle()
    },
    pull: (at) => open(at, pathOf(at)).finish(),
    begin: (at, pauseAt, path = pathOf(at)) => open(at, path, pauseAt),
  }
}

/** The version before the one in an image's name. */
function before(image: string): string {
  const [major, ...rest] = /_(\d[\d.]*\d)/.exec(image)?.[1]?.split('.') ?? ['1']
  return [Number(major) - 1, ...rest].join('.')
}
