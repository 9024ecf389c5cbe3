/** Outside checks: GNU coreutils and OpenSSL write, we read; we write, `sha256sum -c` reads. */
import { execFileSync } from 'node:child_process'
import { createHash } from 'node:crypto'
import { existsSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import fc from 'fast-check'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { checksumLine } from '../../../server/depot/served-checksums.ts'
import { CHECKSUM_TEXT_BYTES, findDigests } from '../../../server/trust/digests/stated-digests.ts'
import { isChecksumFile } from '../../../server/trust/published/names.ts'
import { needs } from '../../needs.ts'

let folder = ''
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'published-'))
})
afterEach(() => {
  rmSync(folder, { recursive: true, force: true })
})

const run = (tool: string, ...args: string[]) => execFileSync(tool, args, { cwd: folder })

/** Names as a Linux file system takes them: anything but `/` and NUL, at most 255 bytes. */
const oddName = fc
  .array(
    fc.oneof(
      {
        weight: 2,
        arbitrary: fc.constantFrom(
          '\n',
          '\\',
          ' ',
          '\r',
          '-',
          '*',
          '#',
          '(',
          ')',
          '=',
          '\t',
          'é',
          '漢',
          'e\u0301',
        ),
      },
      { weight: 3, arbitrary: fc.constantFrom('a', 'B', '0', '.', '_', 'n', 'r') },
    ),
    { minLength: 1, maxLength: 24 },
  )
  .map((parts) => parts.join(''))
  .filter((name) => name !== '.' && name !== '..')

function put(name: string, content = 'abc'): void {
  writeFileSync(join(folder, name), content)
}

describe('coreutils', () => {
  it.each(['sha256sum', 'sha512sum', 'sha384sum', 'sha224sum', 'sha1sum', 'md5sum'])(
    'reads what %s writes for odd names, plain and tagged',
    (tool) => {
      fc.assert(
        fc.property(oddName, (name) => {
          put(name)
          for (const mode of ['--text', '--binary', '--tag']) {
            const { stated, notRead } = findDigests(run(tool, mode, '--', name))
            expect(notRead).toEqual([])
            expect(stated.map((entry) => [`${entry.algorithm}sum`, entry.names[0]])).toEqual([[tool, name]])
          }
          rmSync(join(folder, name))
        }),
        { numRuns: 12, seed: 4711 },
      )
    },
    60_000,
  )

  it('writes lines that sha256sum -c accepts for odd names', () => {
    // FIPS 180-4: SHA-256 of "abc".
    const digest = 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'
    fc.assert(
      fc.property(fc.uniqueArray(oddName, { minLength: 1, maxLength: 6 }), (names) => {
        rmSync(folder, { recursive: true })
        mkdirSync(folder)
        for (const name of names) put(name)
        const list = join(tmpdir(), `published-list-${process.pid}`)
        writeFileSync(list, names.map((name) => checksumLine(digest, name)).join(''))
        const said = run('sha256sum', '-c', '--strict', list).toString()
        rmSync(list)
        expect(said.match(/: OK$/gm)).toHaveLength(names.length)
      }),
      { numRuns: 25, seed: 4711 },
    )
  })

  it('reads back what it writes', () => {
    const digest = 'ab'.repeat(32)
    fc.assert(
      fc.property(oddName, (name) => {
        fc.pre(!['', '-'].includes(name.trim()))
        const { stated } = findDigests(checksumLine(digest, name), 'sha256')
        expect(stated).toMatchObject([{ algorithm: 'sha256', digest, line: 1 }])
        expect(stated[0]?.names[0]).toBe(name)
      }),
    )
  })
})

describe('openssl dgst', needs('openssl'), () => {
  it.each([
    ['-md5', 'md5'],
    ['-sha1', 'sha1'],
    ['-sha224', 'sha224'],
    ['-sha256', 'sha256'],
    ['-sha384', 'sha384'],
    ['-sha512', 'sha512'],
  ])('reads its own form and its coreutils form (%s)', (option, algorithm) => {
    put('core image (1).bin')
    for (const form of [[], ['-r']]) {
      const text = run('openssl', 'dgst', option, ...form, 'core image (1).bin')
      const { stated, notRead } = findDigests(text)
      expect(notRead).toEqual([])
      expect(stated).toMatchObject([{ algorithm, line: 1 }])
      expect(stated[0]?.names[0]).toBe('core image (1).bin')
    }
  })
})

describe('the md5sums lists that Debian packages carry', () => {
  const info = '/var/lib/dpkg/info'
  const lists = existsSync(info) ? readdirSync(info).filter((name) => name.endsWith('.md5sums')) : []

  it('are read without a problem, and say what their files have', needs('dpkg'), () => {
    let compared = 0
    for (const list of lists) {
      expect(isChecksumFile(list)).toBe(true)
      const content = readFileSync(join(info, list))
      // A package of very many files has a list that is refused for its length, and only for that.
      if (content.length > CHECKSUM_TEXT_BYTES) continue
      const { stated, notRead, isList } = findDigests(content, 'md5')
      expect([list, notRead, isList]).toEqual([list, [], content.length > 0])
      const [first] = stated.filter(
        ({ names: [name = ''] }) => name.startsWith('usr/bin/') && existsSync(`/${name}`),
      )
      const [name] = first?.names ?? []
      if (first === undefined || compared >= 20) continue
      const own = createHash(first.algorithm)
        .update(readFileSync(`/${name}`))
        .digest('hex')
      expect([name, own]).toEqual([name, first.digest])
      compared += 1
    }
    expect(compared).toBeGreaterThan(0)
  })
})
