/**
 * Files that the formats' own tools make, and what those tools' own checks say of a file: GNU gzip, XZ Utils,
 * bzip2, zstd, Info-ZIP, GNU tar, U-Boot's mkimage and dumpimage, dtc, squashfs-tools, GNU binutils.
 */
import { execFileSync, spawnSync } from 'node:child_process'
import { createHash } from 'node:crypto'
import { copyFileSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'

export interface Sample {
  readonly label: string
  readonly kind: string
  /** Name under which the check sees it. */
  readonly name: string
  readonly bytes: Buffer
  /** Whether the format's own tool accepts the file. */
  readonly accepts: (file: string) => boolean
}

export const SAMPLE_KINDS = [
  'gzip',
  'xz',
  'bzip2',
  'zstd',
  'zip',
  'tar',
  'uImage',
  'device tree',
  'squashfs',
  'ELF',
  'Intel HEX',
  'S-record',
]

/** What `makeSamples` and the checks of its samples run. */
export const SAMPLE_TOOLS = [
  'gzip',
  'xz',
  'bzip2',
  'zstd',
  'zip',
  'unzip',
  'tar',
  'mkimage',
  'dtc',
  'mksquashfs',
  'objcopy',
] as const

/** A repeatable source of numbers in [0, 1). */
export function seeded(seed: number): () => number {
  let state = seed >>> 0
  return () => {
    // mulberry32, a public-domain generator; from memory.
    state = (state + 0x6d2b79f5) >>> 0
    let mixed = Math.imul(state ^ (state >>> 15), 1 | state)
    mixed = (mixed + Math.imul(mixed ^ (mixed >>> 7), 61 | mixed)) ^ mixed
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32
  }
}

/** Data that packs to about half: pseudo-random lines, so that decoders meet literals and matches. */
function payload(bytes: number, salt: string): Buffer {
  const parts: string[] = []
  for (let index = 0, length = 0; length < bytes; index += 1) {
    const line = `${index} ${createHash('sha256').update(`${salt}${index}`).digest('hex').repeat(2)}\n`
    parts.push(line)
    length += line.length
  }
  return Buffer.from(parts.join('')).subarray(0, bytes)
}

const exitOf = (tool: string, ...args: string[]) =>
  spawnSync(tool, args, { stdio: ['ignore', 'ignore', 'ignore'], timeout: 20_000 }).status ?? 99

function silentOf(tool: string, ...args: string[]): boolean {
  const run = spawnSync(tool, args, { stdio: ['ignore', 'ignore', 'pipe'], timeout: 20_000 })
  return run.status === 0 && !/error|warning|fatal/i.test(run.stderr.toString('latin1'))
}

/** Makes all samples within `folder`. */
export function makeSamples(folder: string): Sample[] {
  const at = (name: string) => join(folder, name)
  const run = (tool: string, ...args: string[]) =>
    execFileSync(tool, args, { cwd: folder, stdio: ['ignore', 'pipe', 'pipe'], maxBuffer: 2 ** 28 })
  const data = payload(180_000, 'core')
  writeFileSync(at('data.bin'), data)
  writeFileSync(at('small.bin'), payload(3_000, 'access'))
  mkdirSync(at('tree/sub'), { recursive: true })
  for (const name of ['a.txt', 'b.cfg', 'sub/c.bin', 'sub/d.bin']) {
    writeFileSync(at(`tree/${name}`), payload(9_000, name))
  }
  const samples: Sample[] = []
  const add = (label: string, kind: string, name: string, bytes: Buffer, accepts: Sample['accepts']) =>
    samples.push({ label, kind, name, bytes, accepts })

  // gzip leaves with 2 for a mere warning (its manual, "Diagnostics").
  const gzipOk = (file: string) => [0, 2].includes(exitOf('gzip', '-t', file))
  const gzip = run('gzip', '-c', 'data.bin')
  add('gzip', 'gzip', 'x.gz', gzip, gzipOk)
  add('gzip, two members', 'gzip', 'x.gz', Buffer.concat([gzip, run('gzip', '-9c', 'small.bin')]), gzipOk)

  const xzOk = (file: string) => exitOf('xz', '-t', file) === 0
  add('xz, CRC-64', 'xz', 'x.xz', run('xz', '-c', 'data.bin'), xzOk)
  add(
    'xz, CRC-32, several blocks',
    'xz',
    'x.xz',
    run('xz', '-c', '-T2', '--check=crc32', '--block-size=50000', 'data.bin'),
    xzOk,
  )

  add(
    'bzip2',
    'bzip2',
    'x.bz2',
    run('bzip2', '-c', '-1', 'data.bin'),
    (file) => exitOf('bzip2', '-t', file) === 0,
  )

  const zstdOk = (file: string) => exitOf('zstd', '-q', '-t', file) === 0
  add('zstd', 'zstd', 'x.zst', run('zstd', '-q', '-c', '-19', 'data.bin'), zstdOk)
  const zstdPipe = spawnSync('zstd', ['-q', '-c', '-3'], { input: data }).stdout
  add('zstd, from a pipe', 'zstd', 'x.zst', zstdPipe, zstdOk)

  run('zip', '-q', '-r', 'x.zip', 'tree')
  run('zip', '-q', '-0', '-j', 'stored.zip', 'small.bin', 'data.bin')
  // unzip leaves with 1 for a warning (its manual, "Diagnostics").
  const unzipOk = (file: string) => exitOf('unzip', '-tqq', file) <= 1
  add('zip', 'zip', 'x.zip', readFileSync(at('x.zip')), unzipOk)
  add('zip, stored', 'zip', 'x.zip', readFileSync(at('stored.zip')), unzipOk)

  const tarOk = (file: string) => exitOf('tar', '-tf', file) === 0
  for (const format of ['ustar', 'pax', 'gnu', 'v7']) {
    add(`tar, ${format}`, 'tar', 'x.tar', run('tar', `--format=${format}`, '-cf', '-', 'tree'), tarOk)
  }

  run(
    'mkimage',
    '-A',
    'arm',
    '-O',
    'linux',
    '-T',
    'kernel',
    '-C',
    'none',
    '-n',
    'county',
    '-d',
    'data.bin',
    'x.uimage',
  )
  add(
    'uImage',
    'uImage',
    'x.uimage',
    readFileSync(at('x.uimage')),
    (file) => exitOf('dumpimage', '-T', 'kernel', '-l', file) === 0,
  )

  writeFileSync(at('x.dts'), '/dts-v1/; / { a { b = <1 2 3>; c = "d"; g = [00 11 22]; e { f; }; }; };\n')
  run('dtc', '-q', '-O', 'dtb', '-o', 'x.dtb', 'x.dts')
  const fdtOk = (file: string) =>
    exitOf('fdtdump', file) === 0 &&
    exitOf('dtc', '-q', '-I', 'dtb', '-O', 'dts', '-o', '/dev/null', file) === 0
  add('device tree', 'device tree', 'x.dtb', readFileSync(at('x.dtb')), fdtOk)
  writeFileSync(at('x.its'), fitSource())
  run('mkimage', '-f', 'x.its', 'x.itb')
  add('device tree with images', 'device tree', 'x.itb', readFileSync(at('x.itb')), fdtOk)

  for (const compression of ['gzip', 'xz', 'zstd']) {
    const file = `x.${compression}.squashfs`
    run('mksquashfs', 'tree', file, '-comp', compression, '-quiet', '-no-progress')
    const ok = (candidate: string) =>
      exitOf('unsquashfs', '-s', candidate) === 0 && exitOf('unsquashfs', '-l', candidate) === 0
    add(`squashfs, ${compression}`, 'squashfs', 'x.squashfs', readFileSync(at(file)), ok)
  }

  copyFileSync('/bin/true', at('x.elf'))
  add('ELF', 'ELF', 'x.elf', readFileSync(at('x.elf')), (file) => silentOf('readelf', '-hlSW', file))

  const objcopyReads = (format: string) => (file: string) =>
    silentOf('objcopy', '-I', format, '-O', 'binary', file, '/dev/null')
  run('objcopy', '-I', 'binary', '-O', 'ihex', 'small.bin', 'x.hex')
  add('Intel HEX', 'Intel HEX', 'x.hex', readFileSync(at('x.hex')), objcopyReads('ihex'))
  run('objcopy', '-I', 'binary', '-O', 'srec', 'small.bin', 'x.srec')
  add('S-record', 'S-record', 'x.srec', readFileSync(at('x.srec')), objcopyReads('srec'))
  return samples
}

function fitSource(): string {
  return `/dts-v1/; / { description = "county"; #address-cells = <1>;
    images {
      kernel-1 { data = /incbin/("data.bin"); type = "kernel"; arch = "arm"; os = "linux"; compression = "none";
        load = <0>; entry = <0>; hash-1 { algo = "crc32"; }; hash-2 { algo = "sha256"; }; };
      fdt-1 { data = /incbin/("x.dtb"); type = "flat_dt"; arch = "arm"; compression = "none"; hash-1 { algo = "sha1"; }; };
    };
    configurations { default = "c"; c { kernel = "kernel-1"; fdt = "fdt-1"; }; };
  };`
}
