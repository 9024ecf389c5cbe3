/** Whole files in the less usual shapes that the formats' own tools can write: never damaged. */
import { execFileSync } from 'node:child_process'
import { mkdtempSync, readdirSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import { checkFormat, checkSource } from '../../../server/trust/formats/file-check.ts'
import { sourceOfBytes } from '../../../server/trust/formats/source.ts'
import { allNeed } from '../../needs.ts'

let folder = ''
allNeed('gzip', 'xz', 'bzip2', 'zstd', 'zip', 'tar', 'mkimage', 'dtc', 'mksquashfs', 'objcopy')
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'whole-'))
  const long = 'a-folder-with-a-long-name/'.repeat(8)
  execFileSync(
    'sh',
    [
      '-c',
      `mkdir -p 't/${long}' && cat /bin/sh > t/a.bin && cat /bin/true > 't/${long}b.bin' && ln -s a.bin t/link && ln t/a.bin t/hard && truncate -s 3M t/hole && printf x >> t/hole && mkfifo t/pipe && : > t/empty`,
    ],
    { cwd: folder },
  )
})
afterAll(() => {
  rmSync(folder, { recursive: true, force: true })
})

/** What `command` writes to standard output. */
function made(command: string): Buffer {
  return execFileSync('sh', ['-c', command], {
    cwd: folder,
    maxBuffer: 2 ** 28,
    stdio: ['ignore', 'pipe', 'pipe'],
  })
}

describe.each([
  ['gzip', 'x.gz', 'gzip -c t/empty', 'sound'],
  ['gzip', 'x.gz', 'gzip -1 -N -c t/a.bin; gzip -c t/empty; gzip --rsyncable -c t/a.bin', 'sound'],
  ['gzip', 'x.tgz', 'tar -czf - t', 'sound'],
  ['xz', 'x.xz', 'xz -c t/empty', 'sound'],
  ['xz', 'x.xz', 'xz -c -0 t/a.bin; head -c 8 /dev/zero; xz -9e -c t/a.bin', 'sound'],
  ['xz', 'x.xz', 'xz -c --check=none t/a.bin', 'sound'],
  ['xz', 'x.xz', 'head -c 100000 /dev/urandom | xz -c', 'sound'],
  ['xz', 'x.xz', 'xz -c --check=sha256 t/a.bin', 'unknown'],
  ['xz', 'x.xz', 'xz -c --x86 --lzma2 t/a.bin', 'unknown'],
  ['xz', 'x.xz', 'xz -c --lzma2=dict=128MiB t/a.bin', 'unknown'],
  ['bzip2', 'x.bz2', 'bzip2 -c t/empty', 'sound'],
  ['bzip2', 'x.bz2', 'bzip2 -c -9 t/hole; bzip2 -c -3 t/a.bin', 'sound'],
  ['zstd', 'x.zst', 'zstd -q -c t/empty', 'sound'],
  [
    'zstd',
    'x.zst',
    'zstd -q -c -T2 --ultra -22 t/a.bin; zstd -q -c -1 t/hole; cat t/a.bin | zstd -q -c',
    'sound',
  ],
  ['zstd', 'x.zst', 'zstd -q -c --no-check t/a.bin', 'sound'],
  ['zstd', 'x.zst', 'head -c 300000 /dev/urandom | zstd -q -c', 'sound'],
  ['zstd', 'x.zst', 'zstd -q -c --long=30 t/a.bin; cat t/a.bin | zstd -q -c --long=30', 'unknown'],
  ['zip', 'x.zip', 'cat t/a.bin | zip -q - - | cat', 'sound'],
  ['zip', 'x.zip', 'zip -q -r -y -fz z64.zip t/a.bin t/empty t/link; cat z64.zip', 'sound'],
  ['zip', 'x.zip', 'zip -q -r c.zip t/empty t/a.bin; echo comment | zip -q -z c.zip; cat c.zip', 'sound'],
  ['zip', 'x.zip', 'zip -q -P secret - t/a.bin | cat', 'unknown'],
  ['zip', 'x.zip', 'zip -q -Z bzip2 - t/a.bin | cat', 'unknown'],
  ['tar', 'x.tar', 'tar --format=gnu -cSf - t', 'sound'],
  ['tar', 'x.tar', 'tar --format=posix -cSf - t', 'sound'],
  ['tar', 'x.tar', 'tar --format=gnu -cf - t; head -c 3000 /dev/zero', 'sound'],
  ['tar', 'x.tar', 'tar --format=gnu -b1 -cf - --owner=99999999 --mtime=@-5 t', 'sound'],
  [
    'squashfs',
    'x.sqsh',
    'mksquashfs t s1 -quiet -no-progress -no-exports -no-fragments -comp lzo >&2; cat s1',
    'sound',
  ],
  ['squashfs', 'x.sqsh', 'mksquashfs t s2 -quiet -no-progress -noI -noD -nopad -b 4096 >&2; cat s2', 'sound'],
  [
    'squashfs',
    'x.sqsh',
    'mkdir -p none; mksquashfs none s3 -quiet -no-progress -comp lz4 >&2; cat s3',
    'sound',
  ],
  ['ELF', 'x.elf', 'objcopy --only-keep-debug /bin/true d.elf; cat d.elf', 'sound'],
  ['ELF', 'x.o', 'objcopy -I binary -O elf32-big t/a.bin b.o; cat b.o', 'sound'],
  [
    'Intel HEX',
    'x.hex',
    'objcopy -I binary -O ihex --change-addresses 0x1fff0 --set-start 0x100 t/a.bin i.hex; cat i.hex',
    'sound',
  ],
  [
    'S-record',
    'x.s37',
    'objcopy -I binary -O srec --srec-forceS3 --srec-len 64 t/a.bin s.s37; cat s.s37',
    'sound',
  ],
])('%s as %s, of "%s"', (kind, name, command, verdict) => {
  it(`is ${verdict}`, async () => {
    const checked = await checkSource(sourceOfBytes(made(command)), name)
    expect([checked.kind, checked.verdict, checked.detail]).toEqual([kind, verdict, checked.detail])
  })
})

describe('files of this system', () => {
  it('finds no damage in its programs', async () => {
    const programs = readdirSync('/usr/bin', { withFileTypes: true })
      .filter((entry) => entry.isFile())
      .slice(0, 150)
    let elf = 0
    for (const { name } of programs) {
      const checked = await checkFormat(join('/usr/bin', name), name)
      expect([name, checked.verdict]).not.toEqual([name, 'damaged'])
      if (checked.kind === 'ELF') elf += 1
    }
    expect(elf).toBeGreaterThan(10)
  })
})
