/**
 * The images of a truth run: their bytes come from a keystream (AES-128 in counter mode over zeros), so that no two
 * places and no two versions look alike, and any part of any version can be made again to compare with. Files are
 * replaced, cut and touched under the server's hands; every version there ever was stays known by its SHA-256.
 */
import { createCipheriv, createHash } from 'node:crypto'
import { renameSync, truncateSync, utimesSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import type { Random } from './random.ts'

export interface KnownVersion {
  readonly image: string
  readonly sha256: string
  readonly bytes: number
  /** The bytes from an offset on, as many as asked for at each call. */
  from(offset: number): (bytes: number) => Buffer
}

export interface StagedImage {
  readonly name: string
  readonly weight: number
  /** Replaced by the devices that want a change under way. */
  readonly restless: boolean
  /** Replaced or cut now and then. */
  readonly changes: boolean
}

export interface Images {
  readonly list: readonly StagedImage[]
  version(sha256: string): KnownVersion | undefined
  /** All that there ever were under this name. */
  versionsOf(name: string): readonly KnownVersion[]
  present(name: string): KnownVersion
  /** Another version of about this size takes the name at once (rename). */
  replace(name: string, random: Random): void
  /** The file is shortened where it lies. */
  cut(name: string, random: Random): void
  /** Only the modification time moves. */
  touch(name: string, random: Random): void
  /** From now on nothing of this file is changed. */
  keep(name: string): void
}

const KIB = 1024
const MIB = 1024 * KIB
const ZEROS = Buffer.alloc(MIB)

/** Fewer random bytes may look like text, and are then held as no firmware. */
const LEAST_BYTES = 8

/** Sizes about the edges of pieces (64 KiB), blocks and what the system's buffers hold (2 to 6 MiB here). */
const SIZES: readonly { bytes: number; weight: number; restless?: boolean }[] = [
  { bytes: LEAST_BYTES, weight: 2 },
  { bytes: 511, weight: 3 },
  { bytes: 64 * KIB - 1, weight: 4 },
  { bytes: 64 * KIB, weight: 6 },
  { bytes: 64 * KIB + 1, weight: 4 },
  { bytes: 300 * KIB, weight: 10 },
  { bytes: MIB, weight: 12 },
  { bytes: MIB + 17, weight: 10 },
  { bytes: 2 * MIB + 3, weight: 8 },
  { bytes: 4 * MIB, weight: 6 },
  { bytes: 9 * MIB + 1, weight: 3 },
  { bytes: 24 * MIB, weight: 1 },
  { bytes: 200 * KIB, weight: 0, restless: true },
  { bytes: 600 * KIB, weight: 0, restless: true },
  { bytes: MIB, weight: 0, restless: true },
  { bytes: 3 * MIB, weight: 0, restless: true },
]

export function stageImages(folder: string, seed: number): Images {
  const versions = new Map<string, KnownVersion>()
  const present = new Map<string, { version: KnownVersion; content: string }>()
  const kept = new Set<string>()
  let made = 0

  function write(name: string, content: string, bytes: number): void {
    const version = versionOf(name, content, bytes)
    versions.set(version.sha256, version)
    const waiting = join(folder, `.${name}.incoming`)
    writeFileSync(waiting, version.from(0)(bytes))
    const anHourAgo = Date.now() / 1000 - 3600
    utimesSync(waiting, anHourAgo, anHourAgo)
    present.set(name, { version, content })
    renameSync(waiting, join(folder, name))
  }

  function now(name: string): { version: KnownVersion; content: string } {
    const known = present.get(name)
    if (known === undefined) throw new Error(`no image ${name}`)
    return known
  }

  const list = SIZES.map(({ bytes, weight, restless = false }, index) => {
    const name = `image-${index}.bin`
    write(name, `${seed} ${made++}`, bytes)
    return { name, weight, restless, changes: restless || index % 3 === 1 }
  })

  return {
    list,
    version: (sha256) => versions.get(sha256),
    versionsOf: (name) => [...versions.values()].filter(({ image }) => image === name),
    present: (name) => now(name).version,
    replace(name, random) {
      if (kept.has(name)) return
      const { bytes } = now(name).version
      write(name, `${seed} ${made++}`, Math.max(LEAST_BYTES, bytes + random.whole(-3, 3)))
    },
    cut(name, random) {
      if (kept.has(name)) return
      const { version, content } = now(name)
      const bytes = random.whole(Math.min(LEAST_BYTES, version.bytes), version.bytes)
      const shorter = versionOf(name, content, bytes)
      versions.set(shorter.sha256, shorter)
      present.set(name, { version: shorter, content })
      truncateSync(join(folder, name), bytes)
    },
    touch(name, random) {
      const when = Date.now() / 1000 - 3600 - random.whole(1, 100_000)
      utimesSync(join(folder, name), when, when)
    },
    keep: (name) => void kept.add(name),
  }
}

function versionOf(image: string, content: string, bytes: number): KnownVersion {
  const key = createHash('sha256').update(content).digest().subarray(0, 16)
  const version = { image, bytes, from: (offset: number) => keystream(key, offset) }
  const whole = version.from(0)
  const digest = createHash('sha256')
  for (let at = 0; at < bytes; at += MIB) digest.update(whole(Math.min(MIB, bytes - at)))
  return { ...version, sha256: digest.digest('hex') }
}

function keystream(key: Buffer, offset: number): (bytes: number) => Buffer {
  const counter = Buffer.alloc(16)
  counter.writeUInt32BE(Math.floor(offset / 16), 12)
  const cipher = createCipheriv('aes-128-ctr', key, counter)
  cipher.update(ZEROS.subarray(0, offset % 16))
  return (bytes) => cipher.update(bytes <= ZEROS.length ? ZEROS.subarray(0, bytes) : Buffer.alloc(bytes))
}
