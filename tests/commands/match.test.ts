/** `fetchproof match`: where the text comes from, exit statuses, and what --device records. */
import { createHash } from 'node:crypto'
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { afterAll, beforeAll, describe, expect, it } from 'vitest'
import type { EntryOf } from '../../server/ledger/entries.ts'
import type { Matched } from '../../server/trust/match.ts'
import { fetchproof } from '../clients/program.ts'
import { imageBytes, ledgerEntries, type Served, serveFiles, stagingFolder } from '../clients/served.ts'
import { inProcess } from './in-process.ts'

const DESK = imageBytes(300_000, 'desk')
const GATE = imageBytes(70_000, 'gate')
const hash = (algorithm: string, bytes: Buffer) => createHash(algorithm).update(bytes).digest('hex')
const STRANGER = hash('sha256', Buffer.from('another image'))

const cleanings: (() => Promise<void>)[] = []
const cleanUp = (clean: () => Promise<void>): void => void cleanings.push(clean)
afterAll(async () => {
  for (const clean of cleanings.reverse()) await clean()
})

async function matched(
  args: readonly string[],
): Promise<Matched & { status: number | null; recorded: number }> {
  const { status, stdout, stderr } = await inProcess(['match', '--format', 'json', ...args])
  if (stdout === '') throw new Error(stderr)
  return { status, ...(JSON.parse(stdout) as Matched & { recorded: number }) }
}

function observed(folder: string): EntryOf<'observed'>[] {
  return ledgerEntries(folder).filter((entry): entry is EntryOf<'observed'> => entry.kind === 'observed')
}

describe('on a folder that nobody serves', () => {
  let folder: string
  beforeAll(async () => {
    folder = await stagingFolder({ 'desk.bin': DESK, 'lobby/gate 1.img': GATE }, cleanUp)
  })

  it('finds digests of every kind and says of which image each is', async () => {
    const algorithms = ['md5', 'sha1', 'sha224', 'sha256', 'sha384', 'sha512']
    const text = algorithms.map((algorithm) => `${algorithm}: ${hash(algorithm, GATE)}`).join('\n')
    const { status, matched: all, findings } = await matched([text, '--folder', folder])
    expect(findings.map(({ outcome, algorithm, image }) => [outcome, algorithm, image])).toEqual(
      algorithms.map((algorithm) => ['match', algorithm, 'lobby/gate 1.img']),
    )
    expect([status, all]).toEqual([0, true])
  })

  it('reads standard input, UTF-16 with a byte order mark among it', async () => {
    const line = `MD5 (flash:desk.bin) = ${hash('md5', DESK).toUpperCase()}\r\n`
    for (const input of [line, Buffer.from(`\ufeff${line}`, 'utf16le')]) {
      const { status, stdout } = await inProcess(['match', '--folder', folder], input)
      expect(stdout).toContain('It is the MD5 of desk.bin.')
      expect(status).toBe(0)
    }
  })

  it('reads a file', async () => {
    const file = join(folder, 'console.log')
    writeFileSync(file, `verify flash:desk.bin\n${hash('sha512', DESK)}\n`)
    const { status, stdout } = await fetchproof(['match', '--file', file, '--folder', folder])
    expect(stdout).toMatch(/^MATCH {2}line 2: /)
    expect(status).toBe(0)
  })

  it('ends with 1 when a digest matches nothing, is mistyped or cut short, or none is there', async () => {
    const right = hash('sha256', DESK)
    const cases = [
      [STRANGER, 'NO MATCH'],
      [`${right}\n\n${STRANGER}`, '1 of 2 digests match'],
      [right.replace(/^./, (digit) => (digit === '0' ? '1' : '0')), 'MISTYPED'],
      [right.slice(0, 20), 'CUT SHORT'],
      ['verified OK', 'holds no digest'],
      [' ', 'There is no text'],
    ] as const
    for (const [text, words] of cases) {
      const { status, stdout } = await inProcess(['match', text, '--folder', folder])
      expect([stdout.includes(words) ? words : stdout, status]).toEqual([words, 1])
    }
  })

  it('ends with 2 when it is asked in a way that cannot be', async () => {
    const file = join(folder, 'long.log')
    writeFileSync(file, 'x'.repeat(1024 * 1024))
    for (const [args, words] of [
      [['abc', '--file', file], 'not both'],
      [['--file', join(folder, 'absent.log')], 'cannot be read (ENOENT)'],
      [['--file', file], 'longer than'],
      [['abc', '--device', ' '], 'needs the name'],
    ] as const) {
      const { status, stderr, stdout } = await inProcess(['match', ...args, '--folder', folder])
      expect(stderr).toContain(words)
      expect([status, stdout]).toEqual([2, ''])
    }
    const gone = await inProcess(['match', STRANGER, '--folder', join(folder, 'absent')])
    expect([gone.status, gone.stderr.includes('FP_FOLDER_MISSING')]).toEqual([2, true])
  })

  it('writes nothing to the ledger, unless a device is named: then every whole digest, with its image', async () => {
    const own = await stagingFolder({ 'desk.bin': DESK }, cleanUp)
    const text = `${hash('sha1', DESK)}\n\n${STRANGER}\n\n${hash('sha512', DESK).slice(0, 50)}`
    await matched([text, '--folder', own])
    expect(ledgerEntries(own)).toEqual([])
    const { status, recorded } = await matched([
      text,
      '--folder',
      own,
      '--device',
      'desk-1',
      '--by',
      'M. Engineer',
    ])
    expect([status, recorded]).toEqual([1, 2])
    const desk = {
      name: 'desk.bin',
      plainPath: '/desk.bin',
      bytes: DESK.length,
      sha256: hash('sha256', DESK),
    }
    expect(ledgerEntries(own)).toHaveLength(2)
    expect(observed(own)).toMatchObject([
      {
        device: 'desk-1',
        by: 'M. Engineer',
        digest: { algorithm: 'sha1', value: hash('sha1', DESK), image: desk },
      },
      { device: 'desk-1', digest: { algorithm: 'sha256', value: STRANGER } },
    ])
    expect(observed(own)[1]?.digest).not.toHaveProperty('image')
    const { stdout, status: intact } = await fetchproof(['audit', own, '--check'])
    expect([stdout.includes('intact'), intact]).toEqual([true, 0])
  })
})

describe('on a folder that is being served', () => {
  let served: Served
  beforeAll(async () => {
    served = await serveFiles({ 'desk.bin': DESK, 'empty.bin': Buffer.alloc(0) }, { cleanUp })
  })

  it('asks the server, and takes no lock', async () => {
    const result = await matched([`md5: ${hash('md5', DESK)}`, '--folder', served.folder])
    expect(result).toMatchObject({ status: 0, findings: [{ image: 'desk.bin', algorithm: 'md5' }] })
    expect(observed(served.folder)).toEqual([])
  })

  it('says of a held image that it is held', async () => {
    const { stdout } = await fetchproof(['match', hash('sha256', Buffer.alloc(0)), '--folder', served.folder])
    expect(stdout).toContain('empty.bin is held')
  })

  it('of nothing but blanks says the same as without a server', async () => {
    expect(await matched([' ', '--folder', served.folder])).toMatchObject({ status: 1, findings: [] })
  })

  it('records through the server with --device', async () => {
    const text = `Verified: ${hash('sha512', DESK)}`
    const { status } = await matched([
      text,
      '--folder',
      served.folder,
      '--device',
      'desk-1',
      '--by',
      'M. Engineer',
    ])
    expect(status).toBe(0)
    const entry = await served.entry('observed')
    expect(entry).toMatchObject({
      device: 'desk-1',
      by: 'M. Engineer',
      digest: {
        algorithm: 'sha512',
        value: hash('sha512', DESK),
        image: { name: 'desk.bin', bytes: DESK.length },
      },
    })
  })
})
