/** Hostile and oversized files: cut off in time and memory, never a crash or a hang. */
import { spawnSync } from 'node:child_process'
import { createWriteStream, mkdtempSync, rmSync, statSync } from 'node:fs'
import { writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { Readable } from 'node:stream'
import { pipeline } from 'node:stream/promises'
import { crc32, createGzip, deflateRawSync } from 'node:zlib'
import fc from 'fast-check'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { DEFAULT_LIMITS } from '../../../server/trust/formats/budget.ts'
import { checkFormat, checkSource } from '../../../server/trust/formats/file-check.ts'
import { KNOWN_FORMATS } from '../../../server/trust/formats/known-formats.ts'
import { sourceOfBytes } from '../../../server/trust/formats/source.ts'
import { needs } from '../../needs.ts'

let folder = ''
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'bounds-'))
})
afterAll(() => {
  rmSync(folder, { recursive: true, force: true })
})

const MIB = 1024 * 1024
const check = (bytes: Uint8Array, name: string) => checkSource(sourceOfBytes(bytes), name)

/** 256 MiB of zeros as one gzip member, some 260 KiB. */
async function zeros(file: string): Promise<void> {
  const piece = Buffer.alloc(MIB)
  await pipeline(
    Readable.from(Array.from({ length: 256 }, () => piece)),
    createGzip({ level: 9 }),
    createWriteStream(file),
  )
}

describe('decompression bombs', () => {
  it('cuts off 10 GiB of zeros in gzip quickly, and says how far it came', async () => {
    // Forty members of 256 MiB are one gzip file of 10 GiB (RFC 1952 §2.2).
    const member = join(folder, 'member.gz')
    await zeros(member)
    const bomb = join(folder, 'bomb.gz')
    const joined = spawnSync('sh', ['-c', 'for i in $(seq 40); do cat member.gz; done > bomb.gz'], {
      cwd: folder,
    })
    expect(joined.status).toBe(0)
    const begun = performance.now()
    const checked = await checkFormat(bomb, 'bomb.gz')
    expect(checked).toMatchObject({ kind: 'gzip', verdict: 'unknown' })
    expect(checked.detail).toMatch(/^Checked up to \d+ MiB of unpacked data without fault/)
    const most = Math.max(64, (20 * statSync(bomb).size) / MIB)
    expect(Number(/\d+/.exec(checked.detail ?? '')?.[0])).toBeLessThanOrEqual(most)
    expect(performance.now() - begun).toBeLessThan(15_000)
  })

  it.each(['xz', 'bzip2', 'zstd'])(
    'cuts off zeros in %s, of a small file at 64 MiB',
    needs('xz', 'bzip2', 'zstd'),
    async (tool) => {
      const file = join(folder, `zeros.${tool}`)
      const made = spawnSync('sh', ['-c', `head -c ${200 * MIB} /dev/zero | ${tool} -1 -c > ${file}`])
      expect(made.status).toBe(0)
      const checked = await checkFormat(file, 'x.bin', { ...DEFAULT_LIMITS, timeMs: 20_000 })
      expect([checked.kind, checked.verdict]).toEqual([tool, 'unknown'])
      expect(checked.detail).toMatch(/Checked up to 64 MiB|longer than 20 s/)
    },
  )

  it('stops by the clock, and says so', async () => {
    const file = join(folder, 'slow.gz')
    await zeros(file)
    const limits = { unpackedPerStored: 1e9, unpackedAtLeastBytes: 1e12, timeMs: 50 }
    const checked = await checkFormat(file, 'slow.gz', limits)
    expect(checked.verdict).toBe('unknown')
    expect(checked.detail).toContain('longer than 0.05 s')
  })

  it('refuses zip entries that share their bytes before unpacking any', async () => {
    const checked = await check(overlappingZip(), 'x.zip')
    expect(checked).toMatchObject({ kind: 'zip', verdict: 'damaged' })
    expect(checked.detail).toContain('overlap')
  })
})

/** Two central headers that point at one local header (APPNOTE.TXT 4.3.7, 4.3.12, 4.3.16). */
function overlappingZip(): Buffer {
  const content = Buffer.from('county library '.repeat(100))
  const packed = deflateRawSync(content)
  const name = Buffer.from('a')
  const shared = Buffer.alloc(26)
  shared.writeUInt16LE(20, 0)
  shared.writeUInt16LE(8, 4)
  shared.writeUInt32LE(crc32(content), 10)
  shared.writeUInt32LE(packed.length, 14)
  shared.writeUInt32LE(content.length, 18)
  shared.writeUInt16LE(name.length, 22)
  const local = Buffer.concat([Buffer.from('PK\x03\x04'), shared, name, packed])
  const central = Buffer.concat([
    Buffer.from('PK\x01\x02'),
    Buffer.from([20, 0]),
    shared,
    Buffer.alloc(14),
    name,
  ])
  const end = Buffer.alloc(22)
  end.write('PK\x05\x06', 'latin1')
  end.writeUInt16LE(2, 8)
  end.writeUInt16LE(2, 10)
  end.writeUInt32LE(central.length * 2, 12)
  end.writeUInt32LE(local.length, 16)
  return Buffer.concat([local, central, central, end])
}

/** A tree of `depth` nodes within each other (Devicetree Specification v0.4, chapter 5). */
function nestedTree(depth: number): Buffer {
  const begin = Buffer.from([0, 0, 0, 1, 0, 0, 0, 0])
  const end = Buffer.from([0, 0, 0, 2])
  const structure = Buffer.concat([
    Buffer.alloc(8 * depth, begin),
    Buffer.alloc(4 * depth, end),
    Buffer.from([0, 0, 0, 9]),
  ])
  const header = Buffer.alloc(56)
  const total = 56 + structure.length
  for (const [index, value] of [0xd00dfeed, total, 56, total, 40, 17, 16, 0, 0, structure.length].entries()) {
    header.writeUInt32BE(value, index * 4)
  }
  return Buffer.concat([header, structure])
}

describe('structures made to hurt', () => {
  it('walks a device tree nested 300,000 deep', async () => {
    expect(await check(nestedTree(300_000), 'x.dtb')).toMatchObject({ kind: 'device tree', verdict: 'sound' })
  })

  it('takes a line without end in a record file as damage', async () => {
    const line = Buffer.concat([Buffer.from(':10000000'), Buffer.alloc(8 * MIB, '0')])
    expect(await check(line, 'x.hex')).toMatchObject({ kind: 'Intel HEX', verdict: 'damaged' })
  })

  it('gives a verdict for any bytes behind any signature', async () => {
    const starts = KNOWN_FORMATS.flatMap(({ magic }) => (magic === undefined ? [] : [magic]))
    const names = fc.constantFrom('x.bin', 'x.tar', 'x.hex', 'x.s19', 'x.gz', 'x')
    await fc.assert(
      fc.asyncProperty(
        fc.constantFrom(...starts),
        fc.uint8Array({ maxLength: 700 }),
        names,
        async (start, rest, name) => {
          const checked = await check(Buffer.concat([start, rest]), name)
          expect(['sound', 'damaged', 'not firmware', 'unknown']).toContain(checked.verdict)
          expect(checked.detail ?? '').not.toContain('check itself failed')
        },
      ),
      { numRuns: 400 },
    )
  })
})

describe('files that are none', () => {
  it('does not wait for a named pipe', async () => {
    const pipe = join(folder, 'pipe.bin')
    expect(spawnSync('mkfifo', [pipe]).status).toBe(0)
    await expect(checkFormat(pipe, 'pipe.bin')).rejects.toMatchObject({ code: 'ENOTSUP' })
  })

  it('passes on the error of a file that is not there, and calls an empty one empty', async () => {
    await expect(checkFormat(join(folder, 'none'), 'none')).rejects.toMatchObject({ code: 'ENOENT' })
    await writeFile(join(folder, 'empty'), '')
    expect(await checkFormat(join(folder, 'empty'), 'empty')).toMatchObject({
      kind: 'empty',
      verdict: 'not firmware',
    })
  })
})
