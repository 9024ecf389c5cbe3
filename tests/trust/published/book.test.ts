import { createHash } from 'node:crypto'
import { describe, expect, it } from 'vitest'
import type { Algorithm } from '../../../server/trust/digests/algorithm.ts'
import { createPublishedBook } from '../../../server/trust/published/book.ts'
import { claimsInText } from '../../../server/trust/published/claims.ts'

const digest = (algorithm: Algorithm, content = 'abc') => createHash(algorithm).update(content).digest('hex')
const own = (algorithm: Algorithm) => digest(algorithm)

function bookOf(names: string[], files: Record<string, string>) {
  const book = createPublishedBook({ imageNames: () => names })
  for (const [name, text] of Object.entries(files)) book.set(name, text)
  return book
}

describe('which checksum speaks of which image', () => {
  it('takes the sidecar beside the image, of any letter case', async () => {
    const book = bookOf(['a/x.bin', 'b/Y.BIN'], {
      'a/x.bin.sha256': digest('sha256'),
      'b/y.bin.MD5': digest('md5').toUpperCase(),
    })
    expect(await book.standingOf('a/x.bin', own)).toMatchObject({
      standing: 'matches',
      algorithm: 'sha256',
      source: 'a/x.bin.sha256, line 1',
    })
    expect(await book.standingOf('b/Y.BIN', own)).toMatchObject({ standing: 'matches', algorithm: 'md5' })
    expect(await book.standingOf('x.bin', own)).toMatchObject({ standing: 'none' })
  })

  it('does not give a sidecar to a neighbour that differs in letter case when its own file is there', async () => {
    const book = bookOf(['x.bin', 'X.bin'], { 'x.bin.sha256': digest('sha256') })
    expect((await book.standingOf('X.bin', own)).standing).toBe('none')
  })

  it('takes the single entry of a sidecar that carries the path of the build', async () => {
    const book = bookOf(['x.bin'], { 'x.bin.sha256': `${digest('sha256')}  /build/out/core-7.bin\n` })
    expect((await book.standingOf('x.bin', own)).standing).toBe('matches')
    const other = bookOf(['x.bin', 'y.bin'], { 'x.bin.sha256': `${digest('sha256')}  y.bin\n` })
    expect((await other.standingOf('x.bin', own)).standing).toBe('none')
    expect((await other.standingOf('y.bin', own)).standing).toBe('matches')
  })

  it('prefers the full path in a list, then a base name that can mean only one file', async () => {
    const list = `${digest('sha256', 'other')}  one/x.bin\n${digest('sha256')}  ./two/x.bin\n${digest('sha256')}  far/away/z.bin\n`
    const book = bookOf(['r/one/x.bin', 'r/two/x.bin', 'r/z.bin', 'elsewhere/z.bin'], {
      'r/SHA256SUMS': list,
    })
    expect((await book.standingOf('r/one/x.bin', own)).standing).toBe('differs')
    expect((await book.standingOf('r/two/x.bin', own)).standing).toBe('matches')
    expect((await book.standingOf('r/z.bin', own)).standing).toBe('matches')
    expect((await book.standingOf('elsewhere/z.bin', own)).standing).toBe('none')
  })

  it('counts a base name that could mean several files for none of them, and says so', async () => {
    const book = bookOf(['one/x.bin', 'two/x.bin'], { SHA256SUMS: `${digest('sha256')}  x.bin\n` })
    for (const name of ['one/x.bin', 'two/x.bin']) {
      const standing = await book.standingOf(name, own)
      expect(standing.standing).toBe('none')
      expect(standing.notes[0]).toContain('several files')
    }
    const lines = `${digest('sha256')}  p/x.bin\n${digest('sha256', 'other')}  q/x.bin\n`
    const two = bookOf(['x.bin'], { SHA256SUMS: lines })
    expect((await two.standingOf('x.bin', own)).standing).toBe('none')
  })

  it('compares names in either Unicode form, and Windows paths', async () => {
    const book = bookOf(['gera\u0308t.bin', 'sub/y.bin'], {
      SHA256SUMS: `${digest('sha256')}  ger\u00e4t.bin\n${digest('sha256')}  sub\\y.bin\n`,
    })
    expect((await book.standingOf('gera\u0308t.bin', own)).standing).toBe('matches')
    expect((await book.standingOf('sub/y.bin', own)).standing).toBe('matches')
  })

  it('says that a "(1)" in the name keeps it from the published checksum', async () => {
    const book = bookOf(['x (1).bin'], { SHA256SUMS: `${digest('sha256')}  x.bin\n` })
    const standing = await book.standingOf('x (1).bin', own)
    expect(standing.standing).toBe('none')
    expect(standing.notes[0]).toContain('x.bin (SHA256SUMS, line 1)')
  })
})

describe('standing', () => {
  it('compares all that is published, the strongest first', async () => {
    const asked: string[] = []
    const book = bookOf(['x'], { MD5SUMS: `${digest('md5')}  x\n`, SHA512SUMS: `${digest('sha512')}  x\n` })
    const standing = await book.standingOf('x', (algorithm) => {
      asked.push(algorithm)
      return digest(algorithm)
    })
    expect(asked).toEqual(['sha512', 'md5'])
    expect(book.needs('x')).toEqual(['sha512', 'md5'])
    expect(standing).toEqual({
      standing: 'matches',
      algorithm: 'sha512',
      source: 'SHA512SUMS, line 1',
      notes: [],
    })
  })

  it('labels MD5 and SHA-1 as guarding against accident only', async () => {
    for (const [algorithm, source] of [
      ['md5', 'RFC 6151'],
      ['sha1', 'RFC 6194'],
    ] as const) {
      const book = bookOf(['x'], { [`x.${algorithm}`]: digest(algorithm) })
      expect((await book.standingOf('x', own)).notes.join()).toContain(source)
    }
  })

  it('differs when two sources contradict each other, and names both', async () => {
    const book = bookOf(['x'], { 'x.md5': digest('md5', 'other'), SHA256SUMS: `${digest('sha256')}  x\n` })
    const standing = await book.standingOf('x', own)
    expect(standing).toMatchObject({ standing: 'differs', algorithm: 'md5', source: 'x.md5, line 1' })
    expect(standing.conflict).toHaveLength(2)
    expect(standing.conflict?.join()).toMatch(/SHA256SUMS, line 1.*matches.*x\.md5, line 1.*does not match/)
  })

  it('has no conflict to show when all sources agree on another digest', async () => {
    const book = bookOf(['x'], { SHA256SUMS: `${digest('sha256', 'other')}  x\n` })
    expect((await book.standingOf('x', own)).conflict).toBeUndefined()
  })

  it('counts a pasted checksum like a file', async () => {
    const book = bookOf(['x'], {})
    expect(claimsInText('no digest here', 'engineer')).toEqual([])
    const claims = claimsInText(` SHA-256: ${digest('sha256').toUpperCase()} `, 'engineer')
    expect(claims).toHaveLength(1)
    book.paste('x', claims)
    expect(await book.standingOf('x', own)).toMatchObject({
      standing: 'matches',
      source: 'pasted by engineer',
    })
  })

  it('forgets a file that is removed or replaced', async () => {
    const book = bookOf(['x'], { SHA256SUMS: `${digest('sha256', 'other')}  x\n` })
    book.set('SHA256SUMS', `${digest('sha256')}  x\n`)
    expect((await book.standingOf('x', own)).standing).toBe('matches')
    book.remove('SHA256SUMS')
    expect((await book.standingOf('x', own)).standing).toBe('none')
    expect(book.claimsOf('x')).toEqual([])
  })

  it('passes on the error of a digest that cannot be had', async () => {
    const book = bookOf(['x'], { 'x.sha256': digest('sha256') })
    await expect(book.standingOf('x', () => Promise.reject(new Error('gone')))).rejects.toThrow('gone')
  })
})

describe('what matches nothing', () => {
  it('names entries whose file is not here, unusable lines and lists without any checksum', () => {
    const book = bookOf(['x.bin'], {
      SHA256SUMS: `${digest('sha256')}  x.bin\nwhat\n${digest('sha256')}  gone.bin\n${digest('sha256')}\n`,
      'checksums.txt': '# nothing yet\n',
      'y.bin.md5': digest('md5'),
      'x.bin.md5': digest('md5'),
    })
    expect(book.unmatched().map(({ file, line, name }) => [file, line, name])).toEqual([
      ['SHA256SUMS', 2, undefined],
      ['SHA256SUMS', 3, 'gone.bin'],
      ['SHA256SUMS', 4, undefined],
      ['checksums.txt', 0, undefined],
      ['y.bin.md5', 1, undefined],
    ])
  })
})
