import { createHash } from 'node:crypto'
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { gzipSync } from 'node:zlib'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import type { Version } from '../../server/staging/image.ts'
import type { Judge, Judgement } from '../../server/staging/judge.ts'
import { checkFormat } from '../../server/trust/formats/file-check.ts'
import { createJudge } from '../../server/trust/judgement.ts'
import { createPublishedChecksums } from '../../server/trust/published/published-checksums.ts'

let folder = ''
let opened = 0
let judge: Judge
const names = new Set<string>()

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'judgement-'))
  opened = 0
  names.clear()
  judge = createJudge({
    folder,
    checksums: createPublishedChecksums({ imageNames: () => [...names] }),
    formats: {
      check(file, { name }) {
        opened += 1
        return checkFormat(file, name)
      },
    },
  })
})
afterEach(() => {
  rmSync(folder, { recursive: true, force: true })
})

const hash = (algorithm: string, content: string | Uint8Array) =>
  createHash(algorithm).update(content).digest('hex')

async function publish(name: string, text: string): Promise<void> {
  writeFileSync(join(folder, name), text)
  await judge.checksumFileChanged?.(name, false)
}

function judged(name: string, content: string | Uint8Array, earlier?: Judgement): Promise<Judgement> {
  const file = join(folder, name)
  writeFileSync(file, content)
  names.add(name)
  const version = { bytes: Buffer.from(content).length } as Version
  const input = { name, file, version, digest: async (algorithm: string) => hash(algorithm, content) }
  return judge.judge(earlier === undefined ? input : { ...input, earlier })
}

const held = ({ holds }: Judgement) => holds.map(({ reason }) => reason).join(' ')

const WHOLE = gzipSync(Buffer.alloc(50_000, 'county library'))
const SHORT = WHOLE.subarray(0, -20)
const PAGE = '<html><body>Please sign in</body></html>'

describe('what is held', () => {
  it('lets an image pass whose format is sound, and is sure of it', async () => {
    const found = await judged('x.gz', WHOLE)
    expect(found).toMatchObject({
      format: { kind: 'gzip', verdict: 'sound' },
      published: { standing: 'none' },
      sure: true,
    })
    expect(found.holds).toEqual([])
  })

  it.each([
    ['damaged data', 'x.gz', SHORT, /gzip data is damaged \(at byte \d+/],
    ['a saved page', 'x.bin', PAGE, /not firmware: a page/],
  ])('holds %s, with what to do', async (_what, name, content, reason) => {
    const found = await judged(name, content)
    expect(held(found)).toMatch(reason)
    expect(held(found)).toContain('ownload it again')
    expect(found.sure).toBe(false)
  })

  it('holds what differs from the published checksum, whatever the format says', async () => {
    await publish('SHA256SUMS', `${hash('sha256', 'another')}  x.gz\n`)
    const found = await judged('x.gz', WHOLE)
    expect(found.published).toEqual({
      standing: 'differs',
      algorithm: 'sha256',
      source: 'SHA256SUMS, line 1',
      digest: hash('sha256', 'another'),
    })
    expect(held(found)).toContain('Its SHA-256 is not the published one (SHA256SUMS, line 1).')
  })

  it('holds when published checksums contradict each other, naming both', async () => {
    await publish('x.gz.sha256', hash('sha256', 'another'))
    await publish('SHA256SUMS', `${hash('sha256', WHOLE)}  x.gz\n`)
    const found = await judged('x.gz', WHOLE)
    expect(held(found)).toMatch(/contradict.*SHA256SUMS, line 1.*x\.gz\.sha256, line 1/)
  })

  it('holds when one algorithm agrees and another one does not, naming both', async () => {
    await publish('x.gz.md5', hash('md5', 'another'))
    await publish('SHA256SUMS', `${hash('sha256', WHOLE)}  x.gz\n`)
    expect(held(await judged('x.gz', WHOLE))).toMatch(
      /Its MD5 is not the published one \(x\.gz\.md5, line 1\), though its SHA-256 is \(SHA256SUMS, line 1\)/,
    )
  })
})

describe('a published checksum that matches', () => {
  it.each(['sha256', 'sha512'])('turns damage and no firmware into a note (%s)', async (algorithm) => {
    await publish('checksums.txt', `${hash(algorithm, SHORT)}  x.gz\n${hash(algorithm, PAGE)}  x.bin\n`)
    for (const [name, content] of [
      ['x.gz', SHORT],
      ['x.bin', PAGE],
    ] as const) {
      const found = await judged(name, content)
      expect(found.holds).toEqual([])
      expect(found.sure).toBe(true)
      expect(found.notes.join()).toContain('It is served all the same')
    }
  })

  it.each(['md5', 'sha1'])('does not outweigh damage when it is %s', async (algorithm) => {
    await publish(`x.gz.${algorithm}`, hash(algorithm, SHORT))
    expect(held(await judged('x.gz', SHORT))).toContain('damaged')
  })
})

describe('judging again', () => {
  it('keeps what the format check said, and asks anew what is published', async () => {
    await publish('SHA256SUMS', `${hash('sha256', 'another')}  x.gz\n`)
    const before = await judged('x.gz', WHOLE)
    await judge.checksumFileChanged?.('SHA256SUMS', true)
    const after = await judged('x.gz', WHOLE, JSON.parse(JSON.stringify(before)))
    expect(opened).toBe(1)
    expect(after).toMatchObject({ published: before.published, format: before.format, sure: false })
    expect(held(after)).toContain('is not to be found any more')
    await publish('SHA256SUMS', `${hash('sha256', WHOLE)}  x.gz\n`)
    const matched = await judged('x.gz', WHOLE, after)
    expect(matched).toMatchObject({ published: { standing: 'matches' }, sure: true })
    expect(matched.holds).toEqual([])
  })

  it('checks anew when the earlier judgement carries no check, or one of a strange shape', async () => {
    const before = await judged('x.gz', WHOLE)
    await judged('x.gz', WHOLE, { ...before, checked: undefined } as Judgement)
    await judged('x.gz', WHOLE, { ...before, checked: { kind: 7 } } as Judgement)
    expect(opened).toBe(3)
  })

  it('forgets a checksum file that can no longer be read', async () => {
    await publish('SHA256SUMS', `${hash('sha256', WHOLE)}  x.gz\n`)
    rmSync(join(folder, 'SHA256SUMS'))
    await expect(judge.checksumFileChanged?.('SHA256SUMS', false)).rejects.toThrow()
    expect((await judged('x.gz', WHOLE)).published.standing).toBe('none')
  })

  it('is not sure of a format that carries no checksum of its contents', async () => {
    const tar = Buffer.alloc(1536)
    tar.write('a.bin', 0)
    tar.write('00000000000\0', 124)
    tar.write('0', 156)
    tar.write('ustar\x0000', 257, 'latin1')
    tar.fill(' ', 148, 156)
    const sum = tar.subarray(0, 512).reduce((total, byte) => total + byte, 0)
    tar.write(`${sum.toString(8).padStart(6, '0')}\0 `, 148, 'latin1')
    const found = await judged('x.tar', tar)
    expect(found).toMatchObject({ format: { kind: 'tar', verdict: 'sound' }, sure: false })
  })
})
