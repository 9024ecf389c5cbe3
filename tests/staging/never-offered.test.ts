import { describe, expect, it } from 'vitest'
import { createOfferRule, isDocument } from '../../server/staging/never-offered.ts'

const rule = createOfferRule({ folder: '/stage', records: '/stage/.fetchproof' })

describe('what is never offered', () => {
  it.each([
    '.hidden.bin',
    '.cache/x.bin',
    'sub/.x',
    '.fetchproof/catalogue.json',
    'visit.csv',
    'fetchproof.json',
    'x.bin.part',
    'x.partial',
    'x.CRDOWNLOAD',
    'x.download',
    'x.tmp',
    'x.bin~',
  ])('%s', (name) => {
    expect(rule.kindOf(name)).toBe('never')
  })

  it.each([
    'x.bin.sha256',
    'x.md5',
    'x.sha1sum',
    'SHA256SUMS',
    'sub/sha512sums.txt',
    'MD5SUMS',
    'checksums.txt',
    'SHA256SUMS.gpg',
  ])('%s, since it carries checksums', (name) => {
    expect(rule.kindOf(name)).toBe('checksums')
  })

  it.each(['x.bin', 'sub/visit.csv.bin', 'partial', 'md5.bin', 'x.temp.img', 'sub/fetchproof.json'])(
    'but %s is an image',
    (name) => {
      expect(rule.kindOf(name)).toBe('image')
    },
  )

  it('the records, wherever they lie in the folder', () => {
    const inside = createOfferRule({ folder: '/stage', records: '/stage/my/records' })
    expect(inside.kindOf('my/records/ledger.ndjson')).toBe('never')
    expect(inside.mayHoldImages('my/records')).toBe(false)
    expect(inside.kindOf('my/image.bin')).toBe('image')
    const same = createOfferRule({ folder: '/stage', records: '/stage' })
    expect(same.kindOf('ledger.ndjson')).toBe('never')
    expect(same.kindOf('catalogue.json')).toBe('never')
    expect(same.kindOf('x.bin')).toBe('image')
  })

  it('checksum files that only the judge knows', () => {
    const told = createOfferRule({
      folder: '/s',
      records: '/r',
      isChecksumFile: (name) => name === 'digests.lst',
    })
    expect(told.kindOf('digests.lst')).toBe('checksums')
  })
})

describe('a document', () => {
  const text = new TextEncoder()

  it.each(['readme.md', 'notes.TXT', 'page.html', 'rows.csv', 'boot.log'])(
    '%s is one when it is text',
    (name) => {
      expect(rule.kindOf(name)).toBe('perhaps a document')
      expect(isDocument(name, text.encode('Zeile 1\r\n\tgrün\n'))).toBe(true)
      expect(isDocument(name, Buffer.from('fffe41000a00', 'hex'))).toBe(true)
    },
  )

  it('is none when the bytes are an image under its extension', () => {
    expect(isDocument('fw.txt', Buffer.from([0x27, 0x05, 0x19, 0x56, 0, 0, 1]))).toBe(false)
    expect(isDocument('fw.pdf', text.encode('plain text'))).toBe(false)
    expect(isDocument('manual.pdf', text.encode('%PDF-1.7\n'))).toBe(true)
  })
})
