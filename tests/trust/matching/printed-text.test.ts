/** What a device printed against digests of images: every dress, near misses, what is no digest, hostile text. */
import { createHash, randomBytes } from 'node:crypto'
import { crc32 } from 'node:zlib'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { FetchproofError } from '../../../server/errors.ts'
import type { Matched } from '../../../server/trust/matching/match-finding.ts'
import { type ComparedImages, matchInCatalogue } from '../../../server/trust/matching/printed-text.ts'

const HASHES = ['md5', 'sha1', 'sha224', 'sha256', 'sha384', 'sha512'] as const
const ALGORITHMS = ['crc32', ...HASHES] as const
type Name = (typeof ALGORITHMS)[number]

const CONTENTS: Readonly<Record<string, string>> = {
  'reading-room/switch-4.2.bin': 'image of the reading room',
  'lobby/gate-1.0.img': 'image of the lobby',
  'lobby/copy of gate.img': 'image of the lobby',
  'stack/radio-7.bin': 'image of the stack',
}

// crc32 of node:zlib exists from Node 20.15 and 22.2 on.
function digest(name: string, algorithm: Name): string {
  const content = CONTENTS[name] ?? ''
  return algorithm === 'crc32'
    ? crc32(content).toString(16).padStart(8, '0')
    : createHash(algorithm).update(content).digest('hex')
}

const IMAGES = Object.keys(CONTENTS).map((name) => ({ name, state: 'ready' as const }))

/** `asked`: image and algorithm of each digest that is asked for. */
function match(text: string, asked: string[] = []): Promise<Matched> {
  return matchInCatalogue(text, {
    images: () => IMAGES,
    async digest(name, algorithm) {
      asked.push(`${name} ${algorithm}`)
      return digest(name, algorithm as Name)
    },
  })
}

const SWITCH = 'reading-room/switch-4.2.bin'
const RADIO = 'stack/radio-7.bin'

const grouped = (size: number, separator: string) => (hex: string) =>
  (hex.match(new RegExp(`.{1,${size}}`, 'g')) ?? []).join(separator)
const lines = (rows: string[]) => rows.join('\n')

/** How consoles, people and tools write a digest. */
const DRESSES: Readonly<Record<string, (hex: string) => string>> = {
  plain: (hex) => hex,
  'upper case': (hex) => hex.toUpperCase(),
  '0x before it': (hex) => `0x${hex}`,
  '0X and upper case': (hex) => `0X${hex.toUpperCase()}`,
  quoted: (hex) => `"${hex}"`,
  'in brackets': (hex) => `[${hex}]`,
  'its algorithm with a colon before it': (hex) => `${nameOf(hex)}:${hex}`,
  'BSD tagged': (hex) => `${nameOf(hex).toUpperCase()} (flash:/boot.bin) = ${hex}`,
  'coreutils list': (hex) => `${hex}  flash/boot.bin`,
  'pairs with colons': grouped(2, ':'),
  'pairs with colons, its algorithm before them': (hex) => `${nameOf(hex)}:${grouped(2, ':')(hex)}`,
  'pairs with spaces': grouped(2, ' '),
  'pairs with hyphens': grouped(2, '-'),
  'upper-case pairs with hyphens': (hex) => grouped(2, '-')(hex.toUpperCase()),
  'fours with spaces': grouped(4, ' '),
  'fours with dots': grouped(4, '.'),
  'eights with spaces': grouped(8, ' '),
  'an array in C': (hex) => `{ 0x${grouped(2, ', 0x')(hex)} };`,
  'a sentence': (hex) => `Embedded digest of the file on flash is ${hex}, verified.`,
  'coloured output': (hex) => `\u001b[1mDigest\u001b[0m \u001b[32m${hex}\u001b[0m\r\n`,
  'no-break spaces': grouped(8, '\u00a0'),
  'a zero-width space in the middle': (hex) => `${hex.slice(0, 9)}\u200b${hex.slice(9)}`,
}
/** Only where there is enough of it to be wrapped. */
const WRAPPED: Readonly<Record<string, (hex: string) => string>> = {
  'wrapped by a console of 30 columns': (hex) => lines(['flash:', ...(hex.match(/.{1,30}/g) ?? [])]),
  'wrapped behind a label': (hex) => {
    const label = 'Digest: '
    return lines((`${label}${hex}`.match(/.{1,24}/g) ?? []).map((row) => row))
  },
  'wrapped with carriage returns': (hex) => {
    const at = Math.floor(hex.length * 0.7)
    return `${hex.slice(0, at)}\r\r\n${hex.slice(at)}`
  },
  'pairs wrapped after a colon, indented': (hex) => {
    const rows = grouped(2, ':')(hex).match(/.{1,45}/g) ?? []
    return `digest\n    ${rows.join('\n    ')}`
  },
  'rows of eight pairs': (hex) => lines((hex.match(/.{1,16}/g) ?? []).map(grouped(2, ' '))),
  'two rows of one word each': (hex) => `${hex.slice(0, hex.length / 2)}\n${hex.slice(hex.length / 2)}`,
}

function nameOf(hex: string): string {
  const names: Record<number, string> = {
    8: 'crc32',
    32: 'md5',
    40: 'sha1',
    56: 'sha224',
    64: 'sha256',
    96: 'sha-384',
  }
  return names[hex.length] ?? 'sha-512'
}

describe('a digest of an image', () => {
  for (const [dress, put] of Object.entries(DRESSES)) {
    it.each(ALGORITHMS)(`is found in the dress "${dress}": %s`, async (algorithm) => {
      const value = digest(SWITCH, algorithm)
      const { matched, findings } = await match(put(value))
      const found = findings.filter(({ outcome }) => outcome === 'match')
      expect(found).toMatchObject([{ value, algorithm, image: SWITCH, counts: true }])
      expect(matched).toBe(true)
    })
  }

  for (const [dress, put] of Object.entries(WRAPPED)) {
    it.each(HASHES)(`is found in the dress "${dress}": %s`, async (algorithm) => {
      const value = digest(SWITCH, algorithm)
      const { matched, findings } = await match(put(value))
      expect(findings).toMatchObject([{ outcome: 'match', value, algorithm, image: SWITCH }])
      expect(matched).toBe(true)
    })
  }

  it('is found in any dress among any words of a console', async () => {
    const words = fc.uniqueArray(
      fc.constantFrom(
        'copied',
        'be',
        'bad',
        'feed',
        '20261125',
        '0x80001000',
        '16:04:09',
        'OK',
        '00-00-5E-00-53-01',
        '#',
      ),
      { maxLength: 12 },
    )
    await fc.assert(
      fc.asyncProperty(
        fc.constantFrom(...HASHES),
        fc.constantFrom(...Object.values(DRESSES)),
        words,
        words,
        async (algorithm, put, before, after) => {
          const value = digest(RADIO, algorithm)
          const text = `${before.join(' ')}\n\n${put(value)}\n\n${after.join(' ')}`
          const { matched, findings } = await match(text)
          expect(findings.filter(({ outcome }) => outcome === 'match')).toMatchObject([
            { value, image: RADIO },
          ])
          expect(matched).toBe(true)
        },
      ),
      { numRuns: 300 },
    )
  })

  it('names all images that share the bytes, and its line', async () => {
    const { findings } = await match(`file on flash\nsha1 ${digest('lobby/gate-1.0.img', 'sha1')}`)
    expect(findings[0]).toMatchObject({ line: 2, image: 'lobby/gate-1.0.img' })
    expect(findings[0]?.words).toContain('lobby/gate-1.0.img and lobby/copy of gate.img (the same bytes)')
  })

  it('says what MD5, SHA-1 and CRC-32 are worth, and nothing of the kind for SHA-256', async () => {
    const wordsFor = async (algorithm: Name) => (await match(digest(SWITCH, algorithm))).findings[0]?.words
    expect(await wordsFor('md5')).toContain('not against forgery')
    expect(await wordsFor('sha1')).toContain('not against forgery')
    expect(await wordsFor('crc32')).toContain('accidents only')
    expect(await wordsFor('sha256')).toBe(`It is the SHA-256 of ${SWITCH}.`)
  })

  it('is found twice in a list of two, and the list matches as a whole', async () => {
    const { matched, findings } = await match(
      `${digest(SWITCH, 'md5')}  a\n${digest(RADIO, 'md5')}  b\n${digest(SWITCH, 'md5')}  again`,
    )
    expect(findings.map(({ image, line }) => [image, line])).toEqual([
      [SWITCH, 1],
      [RADIO, 2],
    ])
    expect(matched).toBe(true)
  })

  it('asks only for the algorithms whose length is there, once an image', async () => {
    const asked: string[] = []
    await match(`sha1: ${digest(SWITCH, 'sha1')}`, asked)
    const once = IMAGES.flatMap(({ name }) => ['sha256', 'crc32', 'sha1'].map((each) => `${name} ${each}`))
    expect(asked).toEqual(once)
  })

  it('says which images it could not be compared with', async () => {
    const { notCompared } = await matchInCatalogue(digest(SWITCH, 'sha256'), {
      images: () => [...IMAGES, { name: 'half.bin', state: 'reading' }],
      async digest(name, algorithm) {
        if (name === 'half.bin') throw new FetchproofError('FP_IMAGE_NOT_READY', { image: name })
        return digest(name, algorithm as Name)
      },
    })
    expect(notCompared).toEqual(['half.bin'])
  })

  it('of a held image says that it is held', async () => {
    const { findings } = await matchInCatalogue(digest(SWITCH, 'sha256'), {
      images: () => [{ name: SWITCH, state: 'held' }],
      digest: async (name, algorithm) => digest(name, algorithm as Name),
    })
    expect(findings[0]?.words).toContain('is held')
  })
})

const hexDigit = fc.constantFrom(...'0123456789abcdef')

describe('a digest with a mistake', () => {
  it('in one digit is a near miss and never a match, in every dress', async () => {
    await fc.assert(
      fc.asyncProperty(
        fc.constantFrom(...ALGORITHMS),
        fc.constantFrom(...Object.values(DRESSES)),
        fc.nat(127),
        hexDigit,
        async (algorithm, put, place, other) => {
          const value = digest(SWITCH, algorithm)
          const at = place % value.length
          fc.pre(value[at] !== other)
          const mistyped = value.slice(0, at) + other + value.slice(at + 1)
          // Eight digits count only where they are named.
          const text = algorithm === 'crc32' ? `CRC: ${mistyped}` : put(mistyped)
          const { matched, findings } = await match(text)
          expect(matched).toBe(false)
          expect(findings).toMatchObject([
            {
              outcome: 'mistyped',
              algorithm: null,
              image: null,
              nearest: { algorithm, image: SWITCH, value },
            },
          ])
          expect(findings[0]?.words).toContain('in one place')
        },
      ),
      { numRuns: 400 },
    )
  })

  it.each([
    ['two digits changed', (hex: string) => swap(swap(hex, 5), 20)],
    ['one digit left out', (hex: string) => hex.slice(0, 7) + hex.slice(8)],
    ['one digit doubled', (hex: string) => hex.slice(0, 7) + hex.slice(6)],
    ['two digits left out in the middle', (hex: string) => hex.slice(0, 9) + hex.slice(11)],
    ['neighbours exchanged', (hex: string) => exchange(hex)],
    ['the letter O for a zero', (hex: string) => `${hex.slice(0, 4)}O${hex.slice(5)}`],
    [
      'small l and capital I for digits',
      (hex: string) => `${hex.slice(0, 4)}l${hex.slice(5, 9)}I${hex.slice(10)}`,
    ],
  ])('(%s) is a near miss', async (_what, spoil) => {
    for (const algorithm of HASHES) {
      const { matched, findings } = await match(`Digest: ${spoil(digest(RADIO, algorithm))}`)
      expect(findings).toMatchObject([{ outcome: 'mistyped', nearest: { algorithm, image: RADIO } }])
      expect(matched).toBe(false)
    }
  })

  it('in three digits is none of them', async () => {
    const value = swap(swap(swap(digest(RADIO, 'sha256'), 1), 30), 60)
    expect((await match(value)).findings).toMatchObject([{ outcome: 'none', nearest: null, counts: true }])
  })

  it('over two lines of one word each is near the whole, not two strangers', async () => {
    const value = swap(digest(RADIO, 'sha512'), 77)
    const { findings } = await match(`${value.slice(0, 64)}\n${value.slice(64)}`)
    expect(findings).toMatchObject([{ outcome: 'mistyped', nearest: { algorithm: 'sha512' } }])
  })
})

describe('a digest cut short', () => {
  it('beside one that matches is said, and is no match', async () => {
    const text = `SHA256 ${digest(SWITCH, 'sha256')}\nMD5 ${digest(SWITCH, 'md5').slice(0, 24)}`
    const matched = await match(text)
    expect(matched.findings.map(({ outcome }) => outcome)).toEqual(['match', 'cut short'])
    expect(matched).toMatchObject({ matched: false, words: '1 of 2 digests match.' })
  })

  it.each(HASHES)('at either end says which it is, and does not match: %s', async (algorithm) => {
    const value = digest(RADIO, algorithm)
    for (const length of [16, 20, 31]) {
      for (const part of [value.slice(0, length), value.slice(-length)]) {
        const { matched, findings } = await match(`hash ${part}...`)
        if (algorithm === 'sha224' || algorithm === 'sha384') continue
        expect(findings).toMatchObject([
          { outcome: 'cut short', nearest: { algorithm, image: RADIO, value } },
        ])
        expect(matched).toBe(false)
      }
    }
  })

  it('to the length of another digest is still recognised', async () => {
    const value = digest(RADIO, 'sha512')
    for (const length of [32, 40, 64]) {
      expect((await match(value.slice(0, length))).findings).toMatchObject([
        { outcome: 'cut short', nearest: { algorithm: 'sha512' } },
      ])
    }
  })

  it('to the digits of a short path spoils no match beside it', async () => {
    const value = digest(RADIO, 'sha256')
    const text = `copy http://192.0.2.10:8080/${value.slice(0, 8)}.bin flash:\nSHA256 ${value}`
    const { matched, findings } = await match(text)
    expect(matched).toBe(true)
    expect(findings.map(({ outcome, counts }) => [outcome, counts])).toEqual([
      ['cut short', false],
      ['match', true],
    ])
  })
})

describe('hex that is no digest of an image', () => {
  it('of another length is passed over', async () => {
    const lengths = fc
      .integer({ min: 1, max: 140 })
      .filter((length) => ![8, 32, 40, 56, 64, 96, 128].includes(length))
    await fc.assert(
      fc.asyncProperty(
        lengths.chain((length) => fc.array(hexDigit, { minLength: length, maxLength: length })),
        async (digits) => {
          const { matched, findings } = await match(`value ${digits.join('')} end`)
          expect(findings).toEqual([])
          expect(matched).toBe(false)
        },
      ),
      { numRuns: 300 },
    )
  })

  it.each(HASHES)('of the length of %s matches nothing, and says so', async (algorithm) => {
    const value = createHash(algorithm).update('another image').digest('hex')
    const { matched, findings, words } = await match(value)
    expect(findings).toMatchObject([{ outcome: 'none', value, image: null, algorithm: null, counts: true }])
    expect(matched).toBe(false)
    expect(words).toBe('It does not match.')
  })

  it('beside a match spoils the whole', async () => {
    const stranger = createHash('sha256').update('another image').digest('hex')
    const { matched, words } = await match(`${digest(SWITCH, 'sha256')}\n\n${stranger}`)
    expect(matched).toBe(false)
    expect(words).toBe('1 of 2 digests match.')
  })

  it.each([
    ['an address of 8 digits', 'loaded at 0x80001000'],
    ['a date', 'built 20261125'],
    ['an IPv6 address in full', 'from 2001:0db8:0000:0000:0000:0000:0000:0010'],
    ['a row of a dump', '80001000: deadbeef 00000000 12345678 9abcdef0'],
    ['a hardware address', '00:00:5e:00:53:01'],
  ])('(%s) is not held against a match beside it', async (_what, line) => {
    const { matched } = await match(`${line}\nSHA256 ${digest(SWITCH, 'sha256')}\n${line}`)
    expect(matched).toBe(true)
  })

  it.each([
    'CRC32: 0x12345678',
    'crc = 12345678',
    '12345678 (crc)',
    'CRC-32 of boot.bin is 12345678',
    'CRC32 (flash:boot.bin) = 12345678',
    'crc32 at 82000000: 12345678',
    'size 00400000 crc 12345678',
    'CRC32 for 82000000 ... 827fffff ==> 12345678',
    'for 82000000 ... 827fffff\n==> 12345678',
  ])('of 8 digits counts where a label or an arrow calls it a CRC: %s', async (text) => {
    const { matched, findings } = await match(text)
    expect(findings.filter(({ counts }) => counts)).toMatchObject([{ outcome: 'none', value: '12345678' }])
    expect(matched).toBe(false)
  })

  it.each(['12345678', '"0x12345678"'])(
    'of 8 digits that nothing calls a CRC is spoken of where it stands alone, and is no digest: %s',
    async (text) => {
      const { matched, findings, words } = await match(text)
      expect(findings).toMatchObject([{ outcome: 'none', counts: false }])
      expect(matched).toBe(false)
      expect(words).toContain('holds no digest')
    },
  )

  // The first form is what U-Boot's crc32 prints (cmd/mem.c, from memory), the others of the kind (common practice).
  it.each([
    ['crc32 for 82000000 ... 827fffff ==> CRC', 'addresses before the arrow'],
    ['CRC32 for 0x82000000 - 0x827fffff => CRC', 'addresses written with 0x'],
    ['crc32 82000000 00400000 = CRC', 'the command with its address and size'],
    ['CRC-32: CRC size: 00400000', 'a size behind it'],
    ['CRC32 CRC len 00400000 addr 82000000', 'a length and an address behind it'],
    ['size 00400000, entry 82000040, crc CRC', 'a size and an entry point before it'],
    ['crc32 of image built 20260114: CRC', 'a date between'],
    ['CRC ok, date 20260114, serial 12345678\ncrc32: CRC', 'a date and a serial number on a line with "CRC"'],
    ['S/N: 0123456789abcdef0123456789abcdef\ncrc32: CRC', 'a serial number as long as an MD5'],
    ['UUID 550e8400e29b41d4a716446655440000 crc CRC', 'a UUID as long as an MD5'],
    ['Serial number: 0123456789abcdef0123456789abcdef01234567\nCRC = CRC', 'one as long as a SHA-1'],
  ])('beside a CRC never fails it: %s (%s)', async (line) => {
    const value = digest(SWITCH, 'crc32')
    const right = await match(line.replace(/CRC$|CRC(?= size| len)/, value))
    expect(right.findings.filter(({ counts }) => counts)).toMatchObject([{ outcome: 'match', value }])
    expect(right.matched).toBe(true)
    // The same line with the CRC of something else fails, and by that alone.
    const wrong = await match(line.replace(/CRC$|CRC(?= size| len)/, '89abcdef'))
    expect(wrong.findings.filter(({ counts }) => counts)).toMatchObject([
      { outcome: 'none', value: '89abcdef' },
    ])
    expect(wrong.matched).toBe(false)
  })

  it.each(['md5', 'sha1', 'sha256'] as const)(
    'before the arrow of a hash of memory is an address: %s',
    async (algorithm) => {
      const { findings } = await match(
        `${algorithm} for 82000000 ... 827fffff ==> ${digest(SWITCH, algorithm)}`,
      )
      expect(findings).toMatchObject([{ outcome: 'match', algorithm, image: SWITCH }])
    },
  )

  it('is nothing at all: the text holds no digest', async () => {
    for (const text of ['', 'verified OK', 'loaded at 0x80001000, 16777216 bytes']) {
      const { matched, words } = await match(text)
      expect(matched).toBe(false)
      expect(words).toContain('holds no digest')
    }
  })
})

describe('hostile text of one MiB', () => {
  const SIZE = 1024 * 1024
  const filled = (piece: string) => piece.repeat(Math.ceil(SIZE / piece.length)).slice(0, SIZE)
  const randomHex = randomBytes(SIZE).toString('hex')
  const cut = (size: number, separator: string) =>
    grouped(size, separator)(randomHex.slice(0, SIZE)).slice(0, SIZE)
  const many = Array.from({ length: 300 }, (_, at) => ({ name: `image-${at}.bin`, state: 'ready' as const }))
  const images: ComparedImages = {
    images: () => many,
    digest: async (name, algorithm) =>
      algorithm === 'crc32'
        ? crc32(name).toString(16).padStart(8, '0')
        : createHash(algorithm).update(name).digest('hex'),
  }

  it.each([
    ['one digit and a space', filled('a ')],
    ['pairs with spaces', cut(2, ' ')],
    ['pairs with colons and line breaks', grouped(48, '\n')(filled('ab:'))],
    ['words of 8', cut(8, ' ')],
    ['words of 8 named crc', filled('crc 12345678 ')],
    ['words of 32', cut(32, ' ')],
    ['words of 32, one a line', cut(32, '\n')],
    ['words of 31, one a line', cut(31, '\n')],
    ['one endless word', filled('f')],
    ['escapes without an end', filled('\u001b[0;')],
    ['line breaks', filled('a\n')],
    ['nothing but breaks and blanks', filled(' \n\t')],
    ['algorithm names', filled('sha-256:crc 32 ')],
    ['words with foreign letters', filled(`${'0'.repeat(31)}O `)],
    [
      'the beginning of a digest again and again',
      filled(`${createHash('sha256').update('image-1.bin').digest('hex').slice(0, 60)} `),
    ],
  ])('(%s) is answered in bounded time', async (_what, text) => {
    // Processor time, so that a busy machine does not count.
    const before = process.cpuUsage()
    const { findings } = await matchInCatalogue(text, images)
    expect(findings.length).toBeLessThanOrEqual(500)
    const { user, system } = process.cpuUsage(before)
    expect((user + system) / 1_000_000).toBeLessThan(10)
  })
})

function swap(hex: string, at: number): string {
  return hex.slice(0, at) + (hex[at] === '0' ? '1' : '0') + hex.slice(at + 1)
}

function exchange(hex: string): string {
  const at = [...hex].findIndex((digit, index) => index > 3 && digit !== hex[index + 1])
  return hex.slice(0, at) + hex[at + 1] + hex[at] + hex.slice(at + 2)
}
