/**
 * Digests kept between runs, in `catalogue.json` beside the ledger, so that an unchanged folder starts without
 * reading an image. The folder may be borrowed, and a digest that nobody computed here would be served as computed: so
 * what is kept is sealed (HMAC-SHA-256, RFC 2104) with a secret of the user's own, and nothing else is even parsed. It
 * counts only as far as it says what the ledger recorded for that image and SHA-256 (block list, CRC-32, format), and no
 * digest of it frees an image that differed from a published checksum. A broken file costs time, never correctness.
 */
import { createHash, createHmac } from 'node:crypto'
import { mkdir } from 'node:fs/promises'
import { dirname } from 'node:path'
import { systemCode } from '../errors.ts'
import type { FileIdentity } from '../files/folder.ts'
import { heldFolder } from '../files/held-folder.ts'
import { readRegular } from '../files/regular-file.ts'
import { replaceFile, sweepBeside } from '../files/replacing.ts'
import type { EntryOf } from '../ledger/entries.ts'
import { BLOCK_BYTES } from './digest-threads.ts'
import type { Version } from './image.ts'
import type { Judgement } from './judge.ts'

export const CATALOGUE_FILE = 'catalogue.json'
/** Changes are gathered for this long; longer where writing itself takes long. */
const WRITE_AFTER_MS = 1_000
/** A write that failed is tried again after twice as long each time. */
const WRITE_AGAIN_AT_MOST_MS = 60_000
/** The block lists of some 400 GB of images, at 43 characters for each 256 KiB. */
const BYTES_AT_MOST = 64 * 1024 * 1024

/** Another form gets another number: then every image is read once more. */
const beginning = (seal: string): string => `{"form":2,"seal":"${seal}","images":`
const BEGINNING_BYTES = beginning('0'.repeat(64)).length

interface StoredImage
  extends StoredIdentity,
    Pick<Version, 'gaps' | 'sha256' | 'crc32' | 'blockBytes' | 'more'> {
  /** base64 */
  readonly blocks: string
  readonly judgement: Omit<Judgement, 'holds'>
}

type StoredIdentity = ReturnType<typeof storedIdentity>

interface Kept {
  readonly version: Version
  readonly judgement?: Judgement
}

/** What the ledger says of a version. */
export type OnRecord = Pick<EntryOf<'image'>, 'blocksSha256' | 'crc32' | 'published' | 'format'>
export type OnRecordOf = (name: string, sha256: string) => OnRecord | undefined

export type CatalogueStore = Awaited<ReturnType<typeof openCatalogueStore>>

/** `file`: absolute path of the store. Never throws: what is wrong with the file goes to `onTrouble`. */
export async function openCatalogueStore(options: {
  file: string
  recorded: OnRecordOf
  /** Of the user's own. */
  secret: string
  onTrouble: (message: string) => void
}) {
  // Long: one file, read, changed and written by turns.
  const { file, secret, onTrouble } = options
  const images = load(file, secret, onTrouble)
  // Now or never: a folder that has gone later was on a disk that was taken away.
  await mkdir(dirname(file), { recursive: true }).catch(() => undefined)
  const stillThere = heldFolder(dirname(file))
  await sweepBeside(file)
  let dirty = false
  let afterMs = WRITE_AFTER_MS
  let timer: NodeJS.Timeout | undefined
  let writing: Promise<void> = Promise.resolve()
  let failures = 0
  let closed = false

  async function write(): Promise<void> {
    if (!dirty) return
    dirty = false
    const beganMs = performance.now()
    try {
      stillThere()
      const text = JSON.stringify(Object.fromEntries(images))
      await replaceFile(file, `${beginning(sealOf(text, secret))}${text}}`)
      failures = 0
      afterMs = Math.max(WRITE_AFTER_MS, 20 * (performance.now() - beganMs))
    } catch (error) {
      failures += 1
      if (failures === 1) {
        const cause = systemCode(error) ?? (error as Error).message
        onTrouble(
          `Digests cannot be kept in ${file} (${cause}). It is tried again; until it works, images are read again at the next start.`,
        )
      }
      afterMs = Math.min(WRITE_AGAIN_AT_MOST_MS, WRITE_AFTER_MS * 2 ** failures)
      changed()
    }
  }

  function flush(): Promise<void> {
    clearTimeout(timer)
    timer = undefined
    writing = writing.then(write)
    return writing
  }

  function changed(): void {
    dirty = true
    if (closed) return
    timer ??= setTimeout(() => void flush(), afterMs).unref()
  }

  return {
    /**
     * The version and judgement of exactly this file, when they can be trusted. What held it is not kept: published
     * checksums are compared anew.
     */
    find(name: string, identity: FileIdentity): Kept | undefined {
      const stored = images.get(name)
      if (stored === undefined || !isSameFile(stored, identity)) return undefined
      return trusted(stored, identity, options.recorded(name, stored.sha256))
    },
    put(name: string, version: Version, judgement: Judgement): void {
      images.set(name, storedForm(version, judgement, images.get(name)))
      changed()
    },
    remove(name: string): void {
      if (images.delete(name)) changed()
    },
    /** Resolves when all changes have been written, or could not be. */
    flush,
    async close(): Promise<void> {
      closed = true
      await flush()
    },
  }
}

function storedIdentity({ size, mtimeNs, ctimeNs, ino }: FileIdentity) {
  return { size: String(size), mtimeNs: String(mtimeNs), ctimeNs: String(ctimeNs), ino: String(ino) }
}

function isSameFile(stored: StoredIdentity, identity: FileIdentity): boolean {
  const { size, mtimeNs, ctimeNs, ino } = storedIdentity(identity)
  return (
    stored.size === size && stored.mtimeNs === mtimeNs && stored.ctimeNs === ctimeNs && stored.ino === ino
  )
}

function trusted(
  stored: StoredImage,
  identity: FileIdentity,
  recorded: OnRecord | undefined,
): Kept | undefined {
  const { sha256, crc32, blockBytes, gaps, judgement } = stored
  if (recorded === undefined || crc32 !== recorded.crc32 || blockBytes !== BLOCK_BYTES) return undefined
  const blocks = new Uint8Array(Buffer.from(stored.blocks, 'base64'))
  const bytes = Number(identity.size)
  if (blocks.length !== Math.ceil(bytes / BLOCK_BYTES) * 32) return undefined
  const blocksSha256 = createHash('sha256').update(blocks).digest('hex')
  if (blocksSha256 !== recorded.blocksSha256) return undefined
  const version: Version = Object.freeze({
    sha256,
    bytes,
    crc32,
    blockBytes,
    blocks,
    blocksSha256,
    identity,
    ...(gaps !== undefined && { gaps }),
    more: Object.freeze(recorded.published.standing === 'differs' ? {} : stored.more),
  })
  const { kind, verdict } = recorded.format
  if (judgement.format.kind !== kind || judgement.format.verdict !== verdict) return { version }
  return { version, judgement: Object.freeze({ ...judgement, holds: [] }) }
}

function storedForm(version: Version, judgement: Judgement, old: StoredImage | undefined): StoredImage {
  const { identity, sha256, crc32, blockBytes, gaps, more } = version
  const { holds: _found, ...kept } = judgement
  return {
    ...storedIdentity(identity),
    ...(gaps !== undefined && { gaps }),
    sha256,
    crc32,
    blockBytes,
    blocks: old?.sha256 === sha256 ? old.blocks : Buffer.from(version.blocks).toString('base64'),
    more,
    judgement: kept,
  }
}

function load(file: string, secret: string, onTrouble: (message: string) => void): Map<string, StoredImage> {
  let why = 'they were not kept by you on this laptop'
  try {
    const bytes = readRegular(file, BYTES_AT_MOST)
    const kept = bytes.subarray(BEGINNING_BYTES, -1)
    if (bytes.toString('latin1', 0, BEGINNING_BYTES) === beginning(sealOf(kept, secret)))
      return new Map(Object.entries(JSON.parse(kept.toString('utf8')) as Record<string, StoredImage>))
  } catch (error) {
    const code = systemCode(error)
    if (code === 'ENOENT' || code === 'ENOTDIR') return new Map()
    why = code ?? String(error)
  }
  onTrouble(`The digests kept in ${file} cannot be used (${why}); every image is read again.`)
  return new Map()
}

function sealOf(kept: string | Buffer, secret: string): string {
  return createHmac('sha256', secret).update(kept).digest('hex')
}
