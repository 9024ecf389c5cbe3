/**
 * The table of formats: by which bytes each is recognised, and which check it has. The first that fits counts.
 * One without a check only names what the file is.
 */
import { checkBzip2 } from './bzip2.ts'
import { checkDeviceTree } from './device-tree.ts'
import { checkElf } from './elf.ts'
import type { FormatCheckOf } from './format-finding.ts'
import { checkGzip } from './gzip.ts'
import { checkIntelHex, checkSRecord } from './hex-records.ts'
import { checkSquashfs } from './squashfs.ts'
import { checkTar, looksLikeDamagedTar, looksLikeTar } from './tar.ts'
import { checkUImage } from './u-image.ts'
import { checkXz } from './xz.ts'
import { checkZip } from './zip.ts'
import { checkZstd } from './zstd.ts'

export interface KnownFormat {
  readonly kind: string
  /** Bytes at the start of the file. */
  readonly magic?: Buffer
  /** For formats without a fixed start. */
  readonly looksLike?: (head: Buffer) => boolean
  /** Whether the start is what damage makes of this format, when the extension promises it. */
  readonly looksLikeDamaged?: (head: Buffer) => boolean
  readonly check?: FormatCheckOf
  /** Extensions (lower case, without the dot) that promise this format. */
  readonly extensions: readonly string[]
  /** An archive or installer: many devices want what is inside. */
  readonly container?: 'archive' | 'installer'
}

/** Enough of the file for every signature: tar's stands at 257 of a 512-byte block. */
export const SIGNATURE_BYTES = 512

const hex = (digits: string) => Buffer.from(digits.replaceAll(' ', ''), 'hex')
const ascii = (text: string) => Buffer.from(text, 'latin1')
const like = (pattern: RegExp) => (head: Buffer) => pattern.test(head.toString('latin1'))

export const KNOWN_FORMATS: readonly KnownFormat[] = [
  { kind: 'gzip', magic: hex('1f 8b 08'), check: checkGzip, extensions: ['gz', 'tgz'] },
  { kind: 'xz', magic: hex('fd 37 7a 58 5a 00'), check: checkXz, extensions: ['xz', 'txz'] },
  { kind: 'bzip2', magic: ascii('BZh'), check: checkBzip2, extensions: ['bz2', 'tbz', 'tbz2'] },
  { kind: 'zstd', magic: hex('28 b5 2f fd'), check: checkZstd, extensions: ['zst', 'tzst'] },
  { kind: 'zip', magic: ascii('PK\x03\x04'), check: checkZip, extensions: ['zip'], container: 'archive' },
  { kind: 'zip', magic: ascii('PK\x05\x06'), check: checkZip, extensions: ['zip'], container: 'archive' },
  { kind: 'uImage', magic: hex('27 05 19 56'), check: checkUImage, extensions: ['uimage'] },
  {
    kind: 'device tree',
    magic: hex('d0 0d fe ed'),
    check: checkDeviceTree,
    extensions: ['dtb', 'dtbo', 'itb', 'fit'],
  },
  {
    kind: 'squashfs',
    magic: ascii('hsqs'),
    check: checkSquashfs,
    extensions: ['squashfs', 'sqsh', 'sqfs', 'sfs'],
  },
  { kind: 'ELF', magic: hex('7f 45 4c 46'), check: checkElf, extensions: ['elf'] },
  {
    kind: 'Intel HEX',
    looksLike: like(/^\s*:[0-9A-Fa-f]{10}/),
    looksLikeDamaged: like(/^[^\n]*(?:\n:[0-9A-Fa-f]{8}|[0-9A-Fa-f]{30}|$)/),
    check: checkIntelHex,
    extensions: ['hex', 'ihex', 'ihx'],
  },
  {
    kind: 'S-record',
    looksLike: like(/^\s*S[0-3][0-9A-Fa-f]{8}/),
    looksLikeDamaged: like(/^[^\n]*(?:\nS[0-9][0-9A-Fa-f]{6}|[0-9A-Fa-f]{30}|$)/),
    check: checkSRecord,
    extensions: ['s19', 's28', 's37', 'srec', 'mot'],
  },
  {
    kind: 'tar',
    looksLike: looksLikeTar,
    looksLikeDamaged: looksLikeDamagedTar,
    check: checkTar,
    extensions: ['tar'],
  },
  {
    kind: 'Debian package',
    magic: ascii('!<arch>\ndebian-binary'),
    extensions: ['deb'],
    container: 'archive',
  },
  { kind: 'RPM package', magic: hex('ed ab ee db'), extensions: ['rpm'], container: 'archive' },
  { kind: '7z archive', magic: hex('37 7a bc af 27 1c'), extensions: ['7z'], container: 'archive' },
  { kind: 'RAR archive', magic: ascii('Rar!\x1a\x07'), extensions: ['rar'], container: 'archive' },
  { kind: 'cabinet', magic: ascii('MSCF'), extensions: ['cab'], container: 'archive' },
  {
    kind: 'compound file',
    magic: hex('d0 cf 11 e0 a1 b1 1a e1'),
    extensions: ['msi'],
    container: 'installer',
  },
]

/** The format that the first bytes fit. */
export function recognise(head: Buffer): KnownFormat | undefined {
  return KNOWN_FORMATS.find(({ magic, looksLike }) =>
    magic === undefined ? looksLike?.(head) === true : head.subarray(0, magic.length).equals(magic),
  )
}

/** The first format that the extension promises. */
export function promisedBy(extension: string): KnownFormat | undefined {
  return KNOWN_FORMATS.find(({ extensions }) => extensions.includes(extension))
}

/**
 * A format that the bytes would be but for damage at their very start: a signature missed by one bit, or cut
 * off within it. Signatures under four bytes are too short for that without the extension's word.
 */
export function nearMiss(head: Buffer, extension: string): KnownFormat | undefined {
  return KNOWN_FORMATS.find(({ magic, looksLikeDamaged, check, extensions }) => {
    if (check === undefined) return false
    const promised = extensions.includes(extension)
    if (magic === undefined) return promised && looksLikeDamaged?.(head) === true
    if (head.length < magic.length) return promised && head.equals(magic.subarray(0, head.length))
    return (promised || magic.length >= 4) && bitsApart(head, magic) === 1
  })
}

function bitsApart(head: Buffer, magic: Buffer): number {
  let bits = 0
  for (const [index, byte] of magic.entries()) {
    for (let rest = byte ^ (head[index] ?? 0); rest > 0; rest >>= 1) bits += rest & 1
  }
  return bits
}
