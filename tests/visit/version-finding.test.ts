/** Versions in pasted console texts (of invented makers, in the trade's general shape) and in image names. */
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { guessFromName, versionToRecord } from '../../server/visit/version-finding.ts'

const SWITCH = `Marrow Vale Networks Access Software, Reading Room Switch, Version 12.4(3a), RELEASE (mv2)
Copyright (c) 2009-2021 by Marrow Vale Networks
Compiled Tue 12-Jan-21 10:31
ROM: Bootstrap program, Version 12.1(14r)
branch-sw uptime is 3 weeks, 2 days
System image file is "flash:/mv-access-12.4.3.bin"
`
const RADIO = `Hardware version  : 2.1
Bootloader version: 1.0.7
Firmware version  : V2.80.11-rc1
Kernel            : 5.10.4
IP address        : 192.0.2.77
Build date        : 2024-01-15
`
const PHONE = `model=desk-phone
serial=0000531100
software=7.2.0.118
protocol=2.0
`

describe('the version in a text', () => {
  it.each([
    ['a switch', SWITCH, '12.4(3a)'],
    ['a radio', RADIO, 'V2.80.11-rc1'],
    ['a phone', PHONE, '7.2.0.118'],
    ['a table', 'Slot  Running  Backup\n1     21.4R3-S2   21.2R1\n', '21.4R3-S2'],
    ['a label without a space', 'ready\nVersion:15.2(7)E3\n', '15.2(7)E3'],
    ['a bare number that a word announces', 'Firmware release 20240115, ready', '20240115'],
    [
      'a four-part version that could be an address',
      'Address 192.0.2.7\nSoftware Version 10.2.0.9',
      '10.2.0.9',
    ],
    ['a single typed version', '  17.09.04a \n', '17.09.04a'],
    ['a single typed release', 'R12', 'R12'],
    ['a sentence', 'The device now runs firmware 3.1.', '3.1'],
    ['brackets around it', 'Current software (version 4.2.1)', '4.2.1'],
  ])('finds the version in the text of %s', (_name, text, expected) => {
    expect(versionToRecord(text)).toBe(expected)
  })

  it.each([
    '',
    'no digits here',
    'IP address 192.0.2.7, mask 255.255.255.0',
    'Clock: 10:31:07 on 12.01.2021',
    'Hardware version 2.1',
    'Serial number 0000531100',
  ])('finds none in %j', (text) => {
    expect(versionToRecord(text)).toBeUndefined()
  })

  it('takes any text in bounded time and never throws', () => {
    const started = performance.now()
    versionToRecord(`of ${'1.'.repeat(1_000_000)}`)
    versionToRecord(`version ${'1.2(3'.repeat(10_000)}\n`.repeat(50))
    versionToRecord(`${'a1.'.repeat(300)} `.repeat(200))
    expect(performance.now() - started).toBeLessThan(2_000)
    const words = fc.constantFrom(
      'version ',
      '1.2(3)',
      ' ',
      'v',
      ':',
      '\n',
      '(',
      ')',
      '.',
      '7',
      'rc',
      '192.0.2.7',
    )
    fc.assert(
      fc.property(
        fc.oneof(
          fc.string({ maxLength: 400 }),
          fc.array(words).map((all) => all.join('')),
        ),
        (text) => {
          const version = versionToRecord(text)
          if (version !== undefined) expect(text).toContain(version)
        },
      ),
    )
  })
})

describe('versionToRecord', () => {
  const sha256 = 'f7846f55cf23e14eebeab5b4e1550cad5b509e3348fbc4efa3a1413d393cb650'

  it.each([
    sha256,
    sha256.toUpperCase(),
    sha256.slice(0, 12),
    `sha256:${sha256}`,
    `MD5=${sha256.slice(0, 32)}`,
    '12345678901234567890123456789012',
    '00:00:5e:00:53:0a:00:00',
    `verify flash:\n  sha256 ${sha256.replace(/(.{8})/g, '$1 ')}`,
    `firmware ${sha256.slice(0, 32)}`,
    '  ',
  ])('a digest was taken for a version: %s', (text) => {
    expect(versionToRecord(text)).toBeUndefined()
  })

  it.each([
    ['17.09.04a', '17.09.04a'],
    ['20240115', '20240115'],
    [' R12\n', 'R12'],
    ['12.4(3a).', '12.4(3a).'],
    ['factory', 'factory'],
    [`System software version 4.2.1\nsha256 ${sha256}`, '4.2.1'],
  ])('takes what was typed as it stands, and picks from a text: %j', (text, version) => {
    expect(versionToRecord(text)).toBe(version)
  })
})

describe('guessFromName', () => {
  it.each([
    ['reading-room-sw-12.4.3a.bin', '12.4.3a'],
    ['branch-ap-2600-v2.80.11-rc1.img.gz', '2.80.11-rc1'],
    ['branch_ap_3_2_1.bin', '3.2.1'],
    ['phone-7.2.0.118.tar', '7.2.0.118'],
    ['access-21.4R3-S2.tgz', '21.4R3-S2'],
    ['mv-access.15.2(7)E3.bin', '15.2(7)E3'],
    ['sensor_v7.bin', '7'],
    ['folder 1.0/sensor-4.2.1-b118.swi', '4.2.1-b118'],
    ['kernel5.10-desk-2.3.1.bin', '2.3.1'],
    ['desk-2.3.1.beta2.bin', '2.3.1.beta2'],
  ])('guesses from %s the version %s', (name, version) => {
    expect(guessFromName(name)).toBe(version)
  })

  it.each(['firmware.bin', 'ap2600.bin', 'README', '', '.bin'])('guesses nothing from %j', (name) => {
    expect(guessFromName(name)).toBeUndefined()
  })

  it('takes long names in bounded time', () => {
    const started = performance.now()
    guessFromName('1.'.repeat(500_000))
    guessFromName('v1-'.repeat(500_000))
    expect(performance.now() - started).toBeLessThan(1_000)
  })
})
