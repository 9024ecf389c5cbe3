import { createHash } from 'node:crypto'
import { describe, expect, it } from 'vitest'
import type { Algorithm } from '../../../server/trust/digests/algorithm.ts'
import { pastedFor } from '../../../server/trust/published/pasted.ts'
import { createPublishedChecksums } from '../../../server/trust/published/published-checksums.ts'

const digest = (algorithm: Algorithm, content = 'abc') => createHash(algorithm).update(content).digest('hex')
const own = (algorithm: Algorithm) => digest(algorithm)

async function bookOf(names: string[], files: Record<string, string>) {
  const book = createPublishedChecksums({ imageNames: () => names })
  for (const [name, text] of Object.entries(files)) await book.set(name, text)
  return book
}

describe('which checksum speaks of which image', () => {
  it('takes the sidecar beside the image, of any letter case', async () => {
    const book = await bookOf(['a/x.bin', 'b/Y.BIN'], {
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
    const book = await bookOf(['x.bin', 'X.bin'], { 'x.bin.sha256': digest('sha256') })
    expect((await book.standingOf('X.bin', own)).standing).toBe('none')
  })

  it('takes the single entry of a sidecar that carries the path of the build', async () => {
    const book = await bookOf(['x.bin'], { 'x.bin.sha256': `${digest('sha256')}  /build/out/core-7.bin\n` })
    expect((await book.standingOf('x.bin', own)).standing).toBe('matches')
    const other = await bookOf(['x.bin', 'y.bin'], { 'x.bin.sha256': `${digest('sha256')}  y.bin\n` })
    expect((await other.standingOf('x.bin', own)).standing).toBe('none')
    expect((await other.standingOf('y.bin', own)).standing).toBe('matches')
  })

  it('prefers the full path in a list, then a base name that can mean only one file', async () => {
    const list = `${digest('sha256', 'other')}  one/x.bin\n${digest('sha256')}  ./two/x.bin\n${digest('sha256')}  far/away/z.bin\n`
    const book = await bookOf(['r/one/x.bin', 'r/two/x.bin', 'r/z.bin', 'elsewhere/z.bin'], {
      'r/SHA256SUMS': list,
    })
    expect((await book.standingOf('r/one/x.bin', own)).standing).toBe('differs')
    expect((await book.standingOf('r/two/x.bin', own)).standing).toBe('matches')
    expect((await book.standingOf('r/z.bin', own)).standing).toBe('matches')
    expect((await book.standingOf('elsewhere/z.bin', own)).standing).toBe('none')
  })

  it('counts a base name that could mean several files for none of them, and says so', async () => {
    const book = await bookOf(['one/x.bin', 'two/x.bin'], { SHA256SUMS: `${digest('sha256')}  x.bin\n` })
    for (const name of ['one/x.bin', 'two/x.bin']) {
      const standing = await book.standingOf(name, own)
      expect(standing.standing).toBe('none')
      expect(standing.notes[0]).toContain('several files')
    }
    const lines = `${digest('sha256')}  p/x.bin\n${digest('sha256', 'other')}  q/x.bin\n`
    const two = await bookOf(['x.bin'], { SHA256SUMS: lines })
    expect((await two.standingOf('x.bin', own)).standing).toBe('none')
  })

  it('compares names in either Unicode form, and Windows paths', async () => {
    const book = await bookOf(['gera\u0308t.bin', 'sub/y.bin'], {
      SHA256SUMS: `${digest('sha256')}  ger\u00e4t.bin\n${digest('sha256')}  sub\\y.bin\n`,
    })
    expect((await book.standingOf('gera\u0308t.bin', own)).standing).toBe('matches')
    expect((await book.standingOf('sub/y.bin', own)).standing).toBe('matches')
  })

  it.each(['x (1).bin', 'x.img', 'X_.bin'])(
    'asks whether a name near its own is meant for it: %s',
    async (name) => {
      const book = await bookOf([name], { SHA256SUMS: `${digest('sha256')}  x.bin\n` })
      const standing = await book.standingOf(name, own)
      expect(standing.standing).toBe('none')
      expect(standing.notes).toEqual([
        `SHA256SUMS, line 1: x.bin is not here. Is it meant for ${name}? Then rename one of them.`,
      ])
      expect(book.unused()).toMatchObject([{ file: 'SHA256SUMS', line: 1, image: name }])
    },
  )

  it('takes a name in another letter case or an older code page where that is unambiguous', async () => {
    const list = Buffer.from(`${digest('sha256')}  LESES\xc4L.BIN\n`, 'latin1')
    const book = createPublishedChecksums({ imageNames: () => ['leses\u00e4l.bin'] })
    await book.set('SHA256SUMS', list)
    expect((await book.standingOf('leses\u00e4l.bin', own)).standing).toBe('matches')
    const both = await bookOf(['x.bin', 'X.bin'], { SHA256SUMS: `${digest('sha256')}  x.BIN\n` })
    expect((await both.standingOf('x.bin', own)).standing).toBe('none')
    expect(both.unused()).toMatchObject([{ reason: expect.stringContaining('several files here') }])
  })
})

describe('standing', () => {
  it('compares all that is published, the strongest first', async () => {
    const asked: string[] = []
    const book = await bookOf(['x'], {
      MD5SUMS: `${digest('md5')}  x\n`,
      SHA512SUMS: `${digest('sha512')}  x\n`,
    })
    const standing = await book.standingOf('x', (algorithm) => {
      asked.push(algorithm)
      return digest(algorithm)
    })
    expect(asked).toEqual(['sha512', 'md5'])
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
      const book = await bookOf(['x'], { [`x.${algorithm}`]: digest(algorithm) })
      expect((await book.standingOf('x', own)).notes.join()).toContain(source)
    }
  })

  it('shows digests by one algorithm that contradict each other', async () => {
    const book = await bookOf(['x'], {
      'x.sha256': digest('sha256', 'other'),
      SHA256SUMS: `${digest('sha256')}  x\n`,
    })
    const standing = await book.standingOf('x', own)
    expect(standing).toMatchObject({ standing: 'differs', algorithm: 'sha256', source: 'x.sha256, line 1' })
    expect(standing.conflict).toHaveLength(2)
    expect(standing.conflict?.join()).toMatch(
      /SHA256SUMS, line 1.*matches.*x\.sha256, line 1.*does not match/,
    )
  })

  it('differs by one algorithm though it agrees by another, which is no contradiction', async () => {
    const book = await bookOf(['x'], {
      'x.md5': digest('md5', 'other'),
      SHA256SUMS: `${digest('sha256')}  x\n`,
    })
    const standing = await book.standingOf('x', own)
    expect(standing).toMatchObject({
      standing: 'differs',
      algorithm: 'md5',
      agreeing: { algorithm: 'sha256', source: 'SHA256SUMS, line 1' },
    })
    expect(standing.conflict).toBeUndefined()
  })

  it('has no conflict to show when all sources agree on another digest', async () => {
    const book = await bookOf(['x'], { SHA256SUMS: `${digest('sha256', 'other')}  x\n` })
    expect((await book.standingOf('x', own)).conflict).toBeUndefined()
  })

  it('takes one of two digests without a name, as of two versions, and says that the other one is not it', async () => {
    const page = `Version 4.1\nSHA256: ${digest('sha256', 'old')}\n\nVersion 4.2\nSHA256: ${digest('sha256')}\n`
    const standing = await (await bookOf(['x.bin'], { 'x.bin.txt': page })).standingOf('x.bin', own)
    expect(standing).toMatchObject({
      standing: 'matches',
      notes: [expect.stringContaining('another version')],
    })
    const wrong = await (await bookOf(['x.bin'], { 'x.bin.txt': page })).standingOf('x.bin', () =>
      digest('sha256', 'new'),
    )
    expect(wrong.standing).toBe('differs')
  })

  it('forgets a file that is removed or replaced', async () => {
    const book = await bookOf(['x'], { SHA256SUMS: `${digest('sha256', 'other')}  x\n` })
    await book.set('SHA256SUMS', `${digest('sha256')}  x\n`)
    expect((await book.standingOf('x', own)).standing).toBe('matches')
    book.remove('SHA256SUMS')
    expect((await book.standingOf('x', own)).standing).toBe('none')
  })

  it('passes on the error of a digest that cannot be had', async () => {
    const book = await bookOf(['x'], { 'x.sha256': digest('sha256') })
    await expect(book.standingOf('x', () => Promise.reject(new Error('gone')))).rejects.toThrow('gone')
  })
})

describe('what is used for no image', () => {
  it('is each digest without a file, each name that is not here, each line that is not read, and a text without any', async () => {
    const book = await bookOf(['x.bin'], {
      SHA256SUMS: `${digest('sha256')}  x.bin\nwhat\n${digest('sha256')}  gone.bin\n${digest('sha256')}\n`,
      'checksums.txt': '# nothing yet\n',
      'y.bin.md5': digest('md5'),
      'x.bin.md5': digest('md5'),
      'notes.txt': `SHA3-256(x.bin)= ${digest('sha256')}\nNothing else.\n`,
      'SHA256SUMS.sig': 'signature',
    })
    expect(book.unused()).toEqual([
      { file: 'SHA256SUMS', line: 2, reason: 'This is neither a digest with a file name nor a comment.' },
      { file: 'SHA256SUMS', line: 3, reason: 'gone.bin is not here.' },
      { file: 'SHA256SUMS', line: 4, reason: 'The digest stands without a file name.' },
      { file: 'checksums.txt', line: 0, reason: 'There is no checksum in it.' },
      { file: 'y.bin.md5', line: 1, reason: 'The digest stands without a file name.' },
      { file: 'notes.txt', line: 1, reason: '"SHA3-256" is not compared here.', image: 'x.bin' },
    ])
    expect(book.unused()).toBe(book.unused())
  })

  it('names twenty files of a long list that are not here, near names among them, and counts the others', async () => {
    const all = Array.from({ length: 500 }, (_, at) => `${digest('sha256', String(at))}  fw-${at}.bin\n`)
    const book = await bookOf(['fw-400 (2).bin', 'fw-3.bin'], { SHA256SUMS: all.join('') })
    const unused = book.unused()
    expect(unused).toHaveLength(21)
    expect(unused.filter(({ image }) => image !== undefined)).toMatchObject([
      { line: 401, image: 'fw-400 (2).bin' },
    ])
    expect(unused.at(-1)).toMatchObject({
      line: 0,
      reason: '479 more of its digests are of files that are not here.',
    })
  })
})

describe('what a person pastes for one image', () => {
  const claims = (text: string, name = 'x.bin') =>
    pastedFor(name, text, 'engineer').claims.map(({ digest }) => digest)

  it('counts like a file', async () => {
    const book = await bookOf(['x'], {})
    book.paste('x', pastedFor('x', ` SHA-256: ${digest('sha256').toUpperCase()} `, 'engineer').claims)
    expect(await book.standingOf('x', own)).toMatchObject({
      standing: 'matches',
      source: 'pasted by engineer',
    })
  })

  it('decides by the lines that name the image, in a list of three', () => {
    const list = ['w', 'x', 'y'].map((name) => `${digest('sha256', name)}  ${name}.bin\n`).join('')
    expect(claims(list)).toEqual([digest('sha256', 'x')])
    expect(claims(`${digest('md5')}\n${list}`)).toEqual([digest('sha256', 'x')])
  })

  it('says nothing of the image where it is about others, and names them', () => {
    const list = `${digest('sha256')}  y.bin\n${digest('md5')}  y.bin\n${digest('sha256')}  z.bin\n`
    expect(pastedFor('x.bin', list, 'engineer')).toMatchObject({ claims: [], about: ['y.bin', 'z.bin'] })
  })

  it('holds nothing that can be compared: why', () => {
    expect(pastedFor('x.bin', 'no digest here', 'engineer')).toEqual({ claims: [], about: [], notRead: [] })
    const { notRead } = pastedFor('x.bin', `SHA3-256: ${digest('sha256')}`, 'engineer')
    expect(notRead).toEqual(['"SHA3-256" is not compared here.'])
  })

  it('is not contradicted by a commit, a key or a build id beside it', async () => {
    const text = `commit ${digest('sha1', 'other')}\n${digest('md5', 'build')}\nSHA-256: ${digest('sha256')}\n`
    const book = await bookOf(['x.bin'], {})
    book.paste('x.bin', pastedFor('x.bin', text, 'engineer').claims)
    expect(await book.standingOf('x.bin', own)).toMatchObject({ standing: 'matches', algorithm: 'sha256' })
  })
})
