/** The visit sheet as spreadsheets and people write it. CSV: RFC 4180 §2. Data of invented branch libraries. */
import { stringify } from 'csv-stringify/sync'
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { parseSheet } from '../../server/visit/sheet.ts'
import { SHEET_COLUMNS } from '../../server/visit/sheet-columns.ts'
import { problemText, SHEET_LIMITS } from '../../server/visit/sheet-rows.ts'
import { exampleSheet } from '../../server/visit/written-sheets.ts'

const read = (text: string, encoding: BufferEncoding = 'utf8') => parseSheet(Buffer.from(text, encoding))
const problems = (text: string) => read(text).problems.map(problemText)
const devices = (text: string) => read(text).rows.map(({ row, device }) => [row, device])

describe('what is read', () => {
  it('reads every known column', () => {
    const text = `${SHEET_COLUMNS.join(',')}\r\nsw1,192.0.2.11,00-00-5E-00-53-11,,a.bin,RS-24,MV-1,3.9,4.1,b.bin,ladder\r\n`
    const { rows, columns, problems } = read(text)
    expect(problems).toEqual([])
    expect(columns).toEqual(SHEET_COLUMNS)
    expect(rows).toEqual([
      {
        row: 2,
        step: 1,
        device: 'sw1',
        address: '192.0.2.11',
        mac: '00:00:5e:00:53:11',
        via: null,
        image: 'a.bin',
        model: 'RS-24',
        serial: 'MV-1',
        versionBefore: '3.9',
        versionTarget: '4.1',
        rollback: 'b.bin',
        note: 'ladder',
        cells: {
          device: 'sw1',
          address: '192.0.2.11',
          mac: '00-00-5E-00-53-11',
          via: '',
          image: 'a.bin',
          model: 'RS-24',
          serial: 'MV-1',
          version_before: '3.9',
          version_target: '4.1',
          rollback: 'b.bin',
          note: 'ladder',
        },
      },
    ])
  })

  it('needs only the column device', () => {
    const { rows, problems } = read('device\nsw1\n')
    expect(problems).toEqual([])
    expect(rows).toMatchObject([{ device: 'sw1', address: null, image: null, note: null }])
  })

  it.each([
    ['comma', 'device,image\nsw1,a.bin\n'],
    ['semicolon', 'device;image\nsw1;a.bin\n'],
    ['tab', 'device\timage\nsw1\ta.bin\n'],
    ['semicolon, commas within cells', 'device;image;note\nsw1;a.bin;"one, two, three, four"\n'],
    ['a heading with commas in quotation marks', '"Room, floor, wing";device;image\nhall;sw1;a.bin\n'],
    ['a line that names the separator', 'sep=;\r\ndevice;image\r\nsw1;a.bin\r\n'],
    ['CR LF and no end of line at the end', 'device,image\r\nsw1,a.bin'],
    ['CR alone', 'device,image\rsw1,a.bin\r'],
    ['a BOM', '\uFEFFdevice,image\nsw1,a.bin\n'],
    ['headings in any letter case and with blanks', ' Device , IMAGE\nsw1,a.bin\n'],
    ['empty columns behind', 'device,image,,\nsw1,a.bin,,\n,,,\n'],
    ['cells with blanks around', 'device,image\n  sw1 , a.bin  \n'],
    ['everything in quotation marks', '"device","image"\n"sw1","a.bin"\n'],
  ])('reads a sheet with %s', (_name, text) => {
    expect(problems(text)).toEqual([])
    expect(read(text).rows).toMatchObject([{ device: 'sw1', image: 'a.bin' }])
  })

  it.each([
    ['UTF-16 little-endian with BOM', Buffer.from('\uFEFFdevice\tnote\r\nsw1\tÖstmühle\r\n', 'utf16le')],
    [
      'UTF-16 big-endian with BOM',
      Buffer.from('\uFEFFdevice\tnote\r\nsw1\tÖstmühle\r\n', 'utf16le').swap16(),
    ],
    ['UTF-16 little-endian without BOM', Buffer.from('device,note\r\nsw1,Östmühle\r\n', 'utf16le')],
    ['UTF-16 big-endian without BOM', Buffer.from('device,note\r\nsw1,Östmühle\r\n', 'utf16le').swap16()],
    ['UTF-8', Buffer.from('device,note\r\nsw1,Östmühle\r\n', 'utf8')],
  ])('reads %s', (_name, bytes) => {
    const { rows, problems } = parseSheet(bytes)
    expect(problems).toEqual([])
    expect(rows).toMatchObject([{ device: 'sw1', note: 'Östmühle' }])
  })

  it('reads an older encoding and says that letters may be wrong', () => {
    const { rows, problems } = read('device,note\r\nsw1,Östmühle\r\n', 'latin1')
    expect(rows).toMatchObject([{ note: 'Östmühle' }])
    expect(problems.map(problemText)).toEqual([expect.stringMatching(/not saved as UTF-8.*Save it as/)])
  })

  it('reads quoted line breaks and doubled quotation marks (RFC 4180 §2.6, §2.7) and keeps counting rows', () => {
    const text = 'device,note\r\n"sw1","a 19"" rack\r\nsecond line"\r\nsw2,plain\r\n'
    expect(read(text).rows).toMatchObject([
      { row: 2, device: 'sw1', note: 'a 19" rack\r\nsecond line' },
      { row: 3, device: 'sw2', note: 'plain' },
    ])
  })

  it('takes a quotation mark within a plain cell as it stands', () => {
    expect(read('device,note\nsw1,19" rack\n').rows).toMatchObject([{ note: '19" rack' }])
  })

  it('numbers rows as the spreadsheet does, empty ones and what stands above the heading counted', () => {
    expect(devices('\n,\ndevice,note\n\nsw1,a\n,,\nsw2,b\n')).toEqual([
      [5, 'sw1'],
      [7, 'sw2'],
    ])
  })

  it('keeps columns of the engineer’s own, in order and as written', () => {
    const { columns, rows } = read('Room,device,Door Code,__proto__\nhall,sw1,7,x\n')
    expect(columns).toEqual(['Room', 'device', 'Door Code', '__proto__'])
    expect(Object.entries(rows[0]?.cells ?? {})).toEqual([
      ['Room', 'hall'],
      ['device', 'sw1'],
      ['Door Code', '7'],
      ['__proto__', 'x'],
    ])
  })

  it('takes rows of one device for steps in order, with the address given once', () => {
    const text =
      'device,address,image\nsw1,192.0.2.11,mid.bin\nsw2,192.0.2.12,x.bin\nSW1,,last.bin\nsw1 ,192.0.2.99,more.bin\n'
    expect(read(text).rows).toMatchObject([
      { device: 'sw1', step: 1, address: '192.0.2.11', image: 'mid.bin' },
      { device: 'sw2', step: 1 },
      { device: 'SW1', step: 2, address: '192.0.2.11', image: 'last.bin' },
      { device: 'sw1', step: 3, address: '192.0.2.99', image: 'more.bin' },
    ])
    expect(problems(text)).toEqual([])
  })

  it('writes `via` as the row of that device does, and lets a stack share an address', () => {
    const text =
      'device,address,via\nStack-1,192.0.2.11,\nmember-2,192.0.2.11,stack-1\nmember-3,192.0.2.11,STACK-1\n'
    expect(read(text).rows.map(({ via }) => via)).toEqual([null, 'Stack-1', 'Stack-1'])
    expect(problems(text)).toEqual([])
  })

  it('writes addresses canonically', () => {
    expect(read('device,address\nap1,2001:DB8:0::7\nap2,::ffff:192.0.2.7\n').rows).toMatchObject([
      { address: '2001:db8::7' },
      { address: '192.0.2.7' },
    ])
  })
})

describe('headings', () => {
  const named = (heading: string) => Object.keys(read(`device,${heading}\nsw1,x\n`).rows[0]?.cells ?? {})[1]

  it.each([
    ['IP Address', 'address'],
    ['Management-IP', 'address'],
    ['Mgmt. IP', 'address'],
    ['MAC', 'mac'],
    ['MAC Address', 'mac'],
    ['Firmware', 'image'],
    ['File name', 'image'],
    ['filename', 'image'],
    ['Serial Number', 'serial'],
    ['S/N', 'serial'],
    ['Serial #', 'serial'],
    ['Current Version', 'version_before'],
    ['Version (current)', 'version_before'],
    ['Target Version', 'version_target'],
    ['NEW_FIRMWARE', 'image'],
    ['Fallback', 'rollback'],
    ['Comments', 'note'],
    ['Model No.', 'model'],
    ['Version Target', 'version_target'],
  ])('%j means %s', (heading, column) => {
    expect(named(heading)).toBe(column)
  })

  it.each(['Hostname', 'Device name', 'Host', 'Name', 'System Name'])('%j names the device', (heading) => {
    const sheet = read(`${heading},IP Address,Firmware\nsw1,192.0.2.7,a.bin\n`)
    expect(sheet.rows).toMatchObject([{ device: 'sw1', address: '192.0.2.7', image: 'a.bin' }])
    expect(sheet.problems).toEqual([])
  })

  it('keeps another name for a column that is there already as a column of one’s own', () => {
    const sheet = read('device,name,file,image\nsw1,Desk,x.bin,a.bin\n')
    expect(sheet.problems).toEqual([])
    expect(sheet.rows).toMatchObject([
      { device: 'sw1', image: 'a.bin', cells: { name: 'Desk', file: 'x.bin' } },
    ])
  })

  it.each([
    ['adress', 'address'],
    ['imgae', 'image'],
    ['Serail', 'serial'],
    ['verison_target', 'version_target'],
    ['rolback', 'rollback'],
    ['Firmwear', 'image'],
    ['Version', 'version_before or version_target'],
    ['Firmware version', 'version_before or version_target'],
  ])('asks whether %j was meant as %s', (heading, column) => {
    expect(problems(`device,${heading}\nsw1,x\n`)).toEqual([
      expect.stringContaining(`column ${heading}: Did you mean ${column}?`),
    ])
  })

  it.each(['rack', 'node', 'port', 'room', 'floor', 'site', 'done', 'contact', 'Lieferung', 'zone', 'vlan'])(
    'asks nothing about a column of one’s own (%s)',
    (heading) => {
      expect(problems(`device,${heading}\nsw1,x\n`)).toEqual([])
      expect(named(heading)).toBe(heading)
    },
  )

  it('asks which version is meant only while one of both is not there', () => {
    expect(problems('device,version_before,version_target,version\nsw1,1,2,3\n')).toEqual([])
  })
})

describe('what spreadsheets and copying do to cells', () => {
  it.each([
    [
      'a formula that keeps zeros',
      'serial',
      '="0012"',
      '0012',
      /="0012""? is a formula; it is read as "0012"/,
    ],
    ['an apostrophe in front', 'serial', "'0012", '0012', /apostrophe/],
    ['an invisible hyphen', 'serial', '00\u001F12', '0012', /U\+001F/],
    ['a zero-width blank', 'image', 'a\u200B.bin', 'a.bin', /U\+200B/],
    ['a mark of direction', 'address', '\u200E192.0.2.7', '192.0.2.7', /U\+200E/],
  ])('takes back %s, and says so', (_what, column, cell, value, said) => {
    const { rows, problems: found } = read(`device,${column}\nsw1,"${cell.replaceAll('"', '""')}"\n`)
    expect(rows[0]?.cells[column]).toBe(value)
    expect(found).toMatchObject([{ row: 2, column, message: expect.stringMatching(said) }])
  })

  it.each([
    ['a date', 'version_target', '2/4/2001'],
    ['a date of two digits', 'version_before', '2/4/01'],
    ['a date with a month', 'version_target', '4-Feb-01'],
    ['a month', 'version_target', 'Feb-01'],
    ['a month of another language', 'version_target', '04. Mrz 2001'],
    ['a date with midnight', 'version_target', '2001-02-04 00:00:00'],
    ['a number with a comma', 'version_before', '4,2'],
    ['a date for a model', 'model', '4-Feb'],
    ['an exponent', 'serial', '5.31E+11'],
    ['an exponent with a comma', 'mac', '5,31E+11'],
    ['an exponent without a fraction', 'image', '3E+10'],
    ['a column too narrow', 'serial', '########'],
    ['an error', 'image', '#REF!'],
  ])('names %s by row and column', (_what, column, cell) => {
    const { rows, problems: found } = read(`device;${column}\nsw1;${cell}\n`)
    expect(found[0]).toMatchObject({ row: 2, column, message: expect.stringContaining(`"${cell}"`) })
    // Only a person knows what it was.
    expect(rows[0]?.cells[column]).toBe(cell)
  })

  it.each([
    ['version_target', '4.2.1'],
    ['version_target', '2024-05-01'],
    ['version_target', '15.2(7)E3'],
    ['version_target', '4.2-rc1'],
    ['version_target', 'March-9'],
    ['version_target', '12.04.2001'],
    ['model', '10/100/1000'],
    ['model', 'E+20'],
    ['image', '12e567'],
    ['serial', "O'Hara's"],
    ['serial', 'JAE0012'],
  ])('says nothing of %s %s', (column, cell) => {
    const found = problems(`device;${column}\nsw1;${cell}\n`)
    expect(found).toEqual(cell === 'March-9' ? [expect.stringContaining('looks like a date')] : [])
  })

  it('names serial numbers that may have lost zeros where the others show how long they are', () => {
    expect(problems('device,serial\nsw1,0012345\nsw2,12346\nsw3,AB12\nsw4,1234567\n')).toEqual([
      expect.stringMatching(/row 3, column serial: "12346" may have lost the zeros.*7 digits/),
    ])
    expect(problems('device,serial\nsw1,0012345\nsw2,012\nsw3,15\n')).toEqual([])
  })

  it('says of a hardware address that is too short that zeros may be lost', () => {
    expect(problems('device,mac\nsw1,5E005301\n')).toEqual([expect.stringMatching(/Zeros at its beginning/)])
  })

  it.each([
    '0000-5e00-5301',
    '0000.5E00.5301',
    '0000 5e00 5301',
    '00 00 5E 00 53 01',
    '00005e-005301',
    '00005e005301',
    '000:05e:005:301',
    '00.00.5e.00.53.01',
    '0:0:5e:0:53:1',
  ])('reads twelve hex digits in any grouping: %s', (mac) => {
    expect(read(`device,mac\nsw1,${mac}\n`)).toMatchObject({
      rows: [{ mac: '00:00:5e:00:53:01' }],
      problems: [],
    })
  })

  it('leaves notes and columns of one’s own as they are', () => {
    const { rows, problems: found } = read("device,note,room\nsw1,2/4/2001,'4\n")
    expect(rows[0]?.cells).toMatchObject({ note: '2/4/2001', room: "'4" })
    expect(found).toEqual([])
  })
})

describe('what is wrong', () => {
  it.each([
    ['an empty sheet', '', /row 1: The sheet is empty\. Give it/],
    ['only separators', ',,\n,,\n', /row 1: The sheet is empty/],
    [
      'no heading',
      'sw1,192.0.2.11\nsw2,192.0.2.12\n',
      /row 1, column device: There is no column device\..*headings/,
    ],
    ['a missing device', 'device,image\n,a.bin\n', /row 2, column device: The device has no name/],
    [
      'a bad address',
      'device,address\nsw1,192.0.2.300\n',
      /row 2, column address: "192\.0\.2\.300" is not a network address\. Write/,
    ],
    ['an address with prefix', 'device,address\nsw1,192.0.2.3/24\n', /row 2, column address/],
    [
      'a bad hardware address',
      'device,mac\nsw1,00:00:5e:00:53\n',
      /row 2, column mac: "00:00:5e:00:53" is not the hardware address/,
    ],
    ['a group address', 'device,mac\nsw1,01:00:5e:00:53:01\n', /row 2, column mac/],
    [
      'an address on two devices',
      'device,address\nsw1,192.0.2.3\nsw2,192.0.2.4\nsw3,192.0.2.3\n',
      /row 4, column address: 192\.0\.2\.3 is already in row 2 for "sw1"/,
    ],
    [
      'one hardware address written in two ways',
      'device,mac\nsw1,00:00:5e:00:53:01\nsw2,0000.5E00.5301\n',
      /row 3, column mac: 00:00:5e:00:53:01 is already in row 2/,
    ],
    ['an unknown via', 'device,via\nsw1,sw9\n', /row 2, column via: There is no device "sw9"/],
    ['via itself', 'device,via\nsw1,SW1\n', /row 2, column via: A device cannot pull by way of itself/],
    [
      'a number that the spreadsheet shortened',
      'device,serial\nsw1,5.31E+11\n',
      /row 2, column serial: "5\.31E\+11" looks like a number/,
    ],
    ['more cells than headings', 'device,note\nsw1,one, two\n', /row 2: This row has more cells/],
    [
      'a heading that stands twice',
      'device,note,Note\nsw1,a,b\n',
      /row 1, column note: This heading stands twice/,
    ],
    [
      'a quotation mark that is not closed',
      'device,note\nsw1,a\nsw2,"b\nsw3,c\n',
      /row 3: A quotation mark opens here/,
    ],
    [
      'a heading with a quotation mark that is not closed',
      '"device,note\nsw1,a\n',
      /row 1: A quotation mark opens here/,
    ],
  ])('names row, column and remedy for %s', (_name, text, expected) => {
    expect(problems(text)).toEqual([expect.stringMatching(expected)])
  })

  it('finds circles and chains of via', () => {
    expect(problems('device,via\nsw1,sw2\nsw2,sw1\n')).toEqual([
      expect.stringMatching(/row 2, column via: "sw2" does not pull itself either/),
      expect.stringMatching(/row 3, column via: "sw1" does not pull itself either/),
    ])
    const { rows } = read('device,via\nsw1,sw2\nsw2,sw1\n')
    expect(rows.map(({ via }) => via)).toEqual([null, null])
  })

  it('keeps the good rows beside the bad ones', () => {
    expect(devices('device,address\nsw1,nowhere\n,192.0.2.4\nsw3,192.0.2.5\n')).toEqual([
      [2, 'sw1'],
      [4, 'sw3'],
    ])
    expect(devices('device,note\nsw1,a\nsw2,"b\nsw3,c\n')).toEqual([[2, 'sw1']])
  })

  it('shows a column that two headings share by the first', () => {
    expect(read('device,note,Note\nsw1,a,b\n').rows).toMatchObject([{ note: 'a' }])
  })
})

describe('bounds', () => {
  const atRows = (count: number) => `device\n${'sw1\n'.repeat(count)}`

  it(`reads ${SHEET_LIMITS.rows} rows and not one more`, () => {
    expect(read(atRows(SHEET_LIMITS.rows))).toMatchObject({
      problems: [],
      rows: { length: SHEET_LIMITS.rows },
    })
    const over = read(atRows(SHEET_LIMITS.rows + 1))
    expect(over.rows).toHaveLength(SHEET_LIMITS.rows)
    expect(over.problems.map(problemText)).toEqual([
      expect.stringMatching(/row 20002: Only the first 20000 rows/),
    ])
  })

  it('reads 5 MiB and not one byte more', () => {
    // One note of many lines.
    const start = 'device,note\nsw1,"'
    const filled = (bytes: number) =>
      `${`${start}${`${'x'.repeat(1023)}\n`.repeat(5120)}`.slice(0, bytes - 1).padEnd(bytes - 1, 'x')}"`
    expect(read(filled(SHEET_LIMITS.bytes)).rows).toHaveLength(1)
    const over = read(filled(SHEET_LIMITS.bytes + 1))
    expect(over.rows).toEqual([])
    expect(over.problems.map(problemText)).toEqual([expect.stringMatching(/larger than 5 MiB\. Keep only/)])
  })

  it.each([
    ['five million commas', ','.repeat(SHEET_LIMITS.bytes)],
    ['a million columns', `device${',c'.repeat(1_000_000)}\nsw1\n`],
    ['one line of NULs', '\0'.repeat(SHEET_LIMITS.bytes)],
    ['one line of letters', `device\n${'x'.repeat(SHEET_LIMITS.bytes - 10)}`],
  ])('does not take apart a line that no sheet has: %s', (_what, text) => {
    const { rows, problems } = read(text)
    expect(rows).toEqual([])
    expect(problems.map(problemText).join()).toMatch(/longer than any of a visit sheet/)
  })

  it('keeps the rows that stand before such a line', () => {
    const { rows, problems } = read(`device,note\nsw1,a\nsw2${',x'.repeat(2000)}\nsw3,b\n`)
    expect(rows.map(({ device }) => device)).toEqual(['sw1'])
    expect(problems.map(problemText)).toEqual([expect.stringMatching(/^row 3: This row is longer/)])
  })

  it('says when empty lines without end hide the rest', () => {
    const { problems } = read(`device\n${'\n'.repeat(100_000)}sw1\n`)
    expect(problems.map(problemText)).toEqual([expect.stringMatching(/row 40000: Rows after/)])
  })

  it('shows 200 problems and how many more there are', () => {
    const { problems } = read(`device,address\n${'sw,nowhere\n'.repeat(300)}`)
    expect(problems).toHaveLength(201)
    expect(problems.at(-1)?.message).toMatch(/^100 more problems/)
  })

  it('never throws, whatever the bytes', () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), (bytes) => {
        const { rows, problems } = parseSheet(bytes)
        expect(rows.length + problems.length).toBeGreaterThan(0)
      }),
      { numRuns: 2_000 },
    )
    const piece = fc.constantFrom(
      '"',
      ',',
      ';',
      '\n',
      '\r\n',
      'device',
      'sw1',
      ' ',
      '\t',
      'sep=;',
      '\uFEFF',
      '\0',
    )
    fc.assert(
      fc.property(fc.array(piece, { maxLength: 40 }), (pieces) => {
        for (const row of read(`device,note\n${pieces.join('')}`).rows) expect(row.device).not.toBe('')
      }),
      { numRuns: 2_000 },
    )
  })
})

describe('as another CSV writer writes it', () => {
  it('gives every cell back, whatever stands in it', () => {
    const cell = fc.string({ maxLength: 20 }).filter((text) => !/[\uD800-\uDFFF\0]/.test(text))
    fc.assert(
      fc.property(
        fc.array(fc.tuple(cell, cell), { minLength: 1, maxLength: 8 }),
        fc.constantFrom(',', ';', '\t'),
        fc.boolean(),
        (pairs, delimiter, bom) => {
          const written = pairs.map(([note, own], index) => [`device ${index}`, note, own])
          const text = stringify([['device', 'note', 'own'], ...written], {
            delimiter,
            bom,
            record_delimiter: 'windows',
            quoted_match: /[\r\n"]/,
          })
          const { rows } = read(text)
          expect(rows.map(({ cells }) => Object.values(cells))).toEqual(written)
        },
      ),
      { numRuns: 500 },
    )
  })
})

describe('exampleSheet', () => {
  it('is a sheet without a problem, with two steps, a stack and a column of one’s own', () => {
    const { rows, columns, problems } = read(exampleSheet())
    expect(problems).toEqual([])
    expect(columns).toEqual([...SHEET_COLUMNS, 'room'])
    expect(rows.map(({ device, step }) => `${device} ${step}`)).toEqual([
      'harrowick-sw1 1',
      'harrowick-sw1 2',
      'harrowick-sw2 1',
      'ost-mill-ap1 1',
    ])
    expect(rows[2]?.via).toBe('harrowick-sw1')
  })
})
