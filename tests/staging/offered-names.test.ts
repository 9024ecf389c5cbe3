import { describe, expect, it } from 'vitest'
import {
  createOfferRule,
  isDocument,
  isSheet,
  wordsForDocument,
  wordsForFolder,
  wordsForNever,
} from '../../server/staging/offered-names.ts'
import { isChecksumFile } from '../../server/trust/published/names.ts'

const rule = createOfferRule({ folder: '/stage', records: '/stage/.fetchproof', isChecksumFile })

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
    'x.opdownload',
    'x.fdmdownload',
    'x.bin.filepart',
    'x.bin.!ut',
    'x.bin.!qB',
    'x.bin.bc!',
    'x.bin.dtapart',
    'x.bin.aria2',
    'x.bin.lftp-pget-status',
    'x.bin:Zone.Identifier',
    '~$visit.xlsx',
    'sub/~$plan.docx',
    'Thumbs.db',
    'sub/ehthumbs.db',
    'ehthumbs_vista.db',
    'Icon\r',
    'desktop.ini',
    'Desktop.ini',
    '.DS_Store',
    'sub/._x.bin',
    'x.bin.lnk',
    'downloads.url',
    'maker.webloc',
  ])('%s', (name) => {
    expect(rule.kindOf(name)).toBe('never')
  })

  it.each([
    'fw.bin.download',
    'sub/fw.download',
    '$RECYCLE.BIN',
    'System Volume Information',
    'lost+found',
    '__MACOSX',
    'sub/__MACOSX',
    '.Trash-1000',
  ])('what is in the folder %s', (name) => {
    expect(rule.mayHoldImages(name)).toBe(false)
  })

  it.each(['downloads', 'download', 'fw', 'old.downloads'])('but what is in the folder %s is', (name) => {
    expect(rule.mayHoldImages(name)).toBe(true)
  })

  it('is said where a person may wonder, and only there', () => {
    expect(wordsForNever('x.bin.crdownload')).toBe('being downloaded')
    expect(wordsForNever('x.bin.tmp')).toBe('a temporary file')
    expect(wordsForNever('x.lnk')).toBe('a shortcut, not the file itself')
    expect(wordsForFolder('x.bin.download')).toBe('being downloaded')
    expect(wordsForDocument('stock.xlsx')).toMatch(/^a spreadsheet; if it is the visit sheet, save it as CSV/)
    expect(wordsForDocument('plan.odt')).toBe('an office document')
    for (const name of [
      'visit.csv.txt',
      'Visit.csv',
      'visit (1).csv',
      'visit - Copy.csv',
      'visits.csv',
      'VISIT.CSV',
      'Copy of visit.csv',
      'visit - Kopie.csv',
      'Visit_Sheet.csv',
      'visit-2026-03-14.csv',
      'vist.csv',
      'visit.cvs',
      'visit.csv.csv',
    ])
      expect(wordsForDocument(name)).toBe('not read as the visit sheet: rename it to visit.csv')
    for (const name of ['visit.xlsx', 'Visit.ods'])
      expect(wordsForDocument(name)).toMatch(
        /^a spreadsheet; not read.*save it as CSV under the name visit\.csv/,
      )
    expect(wordsForDocument('sub/visit.csv')).toMatch(/put it into the staging folder itself$/)
    for (const name of [
      'visit.csv',
      'visitors.csv',
      'sub/vist.csv',
      'revisit.csv',
      'visit.pdf',
      'visit-report.csv',
      'list.csv',
    ])
      expect(wordsForDocument(name)).toBeUndefined()
    for (const name of ['Thumbs.db', 'x.bin.aria2', 'readme.txt', '.DS_Store', 'x.bin'])
      expect([wordsForNever(name), wordsForDocument(name)]).toEqual([undefined, undefined])
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
    const inside = createOfferRule({ folder: '/stage', records: '/stage/my/records', isChecksumFile })
    expect(inside.kindOf('my/records/ledger.ndjson')).toBe('never')
    expect(inside.mayHoldImages('my/records')).toBe(false)
    expect(inside.kindOf('my/image.bin')).toBe('image')
    const same = createOfferRule({ folder: '/stage', records: '/stage', isChecksumFile })
    expect(same.kindOf('ledger.ndjson')).toBe('never')
    expect(same.kindOf('catalogue.json')).toBe('never')
    expect(same.kindOf('x.bin')).toBe('image')
  })

  it('the sheet under another letter case, where the system finds it so', () => {
    expect(isSheet('Visit.csv', 'linux')).toBe(false)
    for (const platform of ['win32', 'darwin'] as const) expect(isSheet('Visit.CSV', platform)).toBe(true)
    expect(isSheet('visit.csv.txt', 'win32')).toBe(false)
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

  it.each([
    ['visit.xlsx', 'PK\u0003\u0004'],
    ['visit.ods', 'PK\u0003\u0004mimetypeapplication'],
    ['plan.DOCX', 'PK\u0003\u0004'],
    ['plan.rtf', '{\\rtf1'],
    ['list.xls', 'device\taddress\n'],
  ])('%s is one when it is what office programs write', (name, head) => {
    expect(rule.kindOf(name)).toBe('perhaps a document')
    expect(isDocument(name, text.encode(head))).toBe(true)
    expect(isDocument(name, Buffer.from('d0cf11e0a1b11ae1000000', 'hex'))).toBe(true)
    expect(isDocument(name, Buffer.from('27051956000000', 'hex'))).toBe(false)
  })

  it('is one though a character or two that cannot be seen were copied into it', () => {
    const row = 'sw1;192.0.2.1;fw.bin;01a;branch library, ground floor\n'
    expect(isDocument('visit (1).csv', text.encode(`device;address\nsw\u001f1;192.0.2.1\n${row}`))).toBe(true)
    expect(isDocument('visit (1).csv', text.encode(`${row.repeat(70)}\u0000`))).toBe(false)
  })

  it('is none when the bytes are an image under its extension', () => {
    expect(isDocument('fw.txt', text.encode('PK\u0003\u0004'))).toBe(false)

    expect(isDocument('fw.txt', Buffer.from([0x27, 0x05, 0x19, 0x56, 0, 0, 1]))).toBe(false)
    expect(isDocument('fw.pdf', text.encode('plain text'))).toBe(false)
    expect(isDocument('manual.pdf', text.encode('%PDF-1.7\n'))).toBe(true)
  })
})
