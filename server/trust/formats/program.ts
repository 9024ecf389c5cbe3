/**
 * Programs for another machine than the device: PE executables (PE format specification: the subsystem says for
 * what) and disk images with the trailer `koly`. Boot programs and kernels that EFI starts are PE files too, and
 * are images.
 */
import type { CheckedFormat } from './format-finding.ts'
import type { ByteSource } from './source.ts'

const EFI_SUBSYSTEMS = [10, 11, 12, 13]

type Program = Pick<CheckedFormat, 'kind' | 'notes'>

export function programKind(source: ByteSource, extension: string): Program | undefined {
  const head = source.read(0, 64)
  if (head.length === 64 && head.toString('latin1', 0, 2) === 'MZ') return executable(source, head, extension)
  if (source.read(Math.max(0, source.bytes - 512), 4).toString('latin1') === 'koly') {
    return {
      kind: 'disk image',
      notes: ['This is a disk image of a desktop system (dmg): the image is probably inside.'],
    }
  }
  return undefined
}

function executable(source: ByteSource, head: Buffer, extension: string): Program | undefined {
  const peAt = head.readUInt32LE(60)
  const pe = source.read(peAt, 24 + 70)
  const isPe = pe.length === 94 && pe.toString('latin1', 0, 4) === 'PE\0\0'
  if (isPe && EFI_SUBSYSTEMS.includes(pe.readUInt16LE(24 + 68))) return { kind: 'EFI program', notes: [] }
  if (!isPe && extension !== 'exe') return undefined
  return {
    kind: 'Windows program',
    notes: ['This is a Windows program (an installer?): the image is probably inside.'],
  }
}
