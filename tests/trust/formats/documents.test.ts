import { describe, expect, it } from 'vitest'
import { checkSource } from '../../../server/trust/formats/file-check.ts'
import type { ByteSource } from '../../../server/trust/formats/source.ts'
import { sourceOfBytes } from '../../../server/trust/formats/source.ts'

const check = (content: string | Uint8Array, name: string) =>
  checkSource(sourceOfBytes(typeof content === 'string' ? Buffer.from(content) : content), name)

const PAGE = '<!DOCTYPE html>\n<html><head><title>Sign in</title></head><body>…</body></html>'

describe('documents under the name of an image', () => {
  it.each([
    ['HTML', PAGE],
    ['HTML', `\uFEFF\r\n  ${PAGE.toLowerCase()}`],
    ['HTML', '<HTML><BODY>403</BODY></HTML>'],
    ['HTML', '<?xml version="1.0"?>\n<!DOCTYPE html>\n<html xmlns="x"></html>'],
    ['XML', '<?xml version="1.0"?><Error><Code>AccessDenied</Code></Error>'],
    ['JSON', '{"error": "licence agreement not accepted"}\n'],
    ['text', 'Not Found\n'],
    ['text', 'Zugriff verweigert: für dieses Gerät nicht freigegeben.\n'],
  ])('takes %s for no firmware', async (kind, content) => {
    expect(await check(content, 'core-7.bin')).toMatchObject({ kind, verdict: 'not firmware' })
  })

  it('knows a page saved in UTF-16 and one in ISO 8859-1', async () => {
    const wide = Buffer.concat([Buffer.from([0xff, 0xfe]), Buffer.from(PAGE, 'utf16le')])
    expect(await check(wide, 'x.img')).toMatchObject({ kind: 'HTML', verdict: 'not firmware' })
    const latin = Buffer.from('<html><body>Gerät nicht verfügbar</body></html>', 'latin1')
    expect(await check(latin, 'x.img')).toMatchObject({ kind: 'HTML', verdict: 'not firmware' })
  })

  it('takes a page for no firmware without an extension too, and under a version number', async () => {
    expect((await check(PAGE, 'core-7')).verdict).toBe('not firmware')
    expect((await check('Service unavailable', 'core-7.4.2')).verdict).toBe('not firmware')
  })

  it.each([
    ['page.html', PAGE],
    ['answer.json', '{"a": 1}'],
    ['config.xml', '<?xml version="1.0"?><config/>'],
    ['branch-3.cfg', 'hostname branch-3\n'],
    ['startup-config', 'hostname branch-3\n'],
    ['provision.sh', '#!/bin/sh\nexit 0\n'],
    ['install.bin', '#!/bin/sh\nexit 0\n'],
  ])('leaves %s alone, as it may be what it says', async (name, content) => {
    expect((await check(content, name)).verdict).toBe('unknown')
  })

  it('does not take binary data with some text in front for a document', async () => {
    const binary = Buffer.concat([Buffer.from('county boot loader 1.2\n'), Buffer.alloc(200, 7)])
    expect(await check(binary, 'x.bin')).toMatchObject({ kind: 'unknown', verdict: 'unknown' })
  })
})

describe('notes beside a verdict', () => {
  it('says when extension and bytes disagree', async () => {
    const zip = Buffer.from('PK\x05\x06'.padEnd(22, '\0'), 'latin1')
    const checked = await check(zip, 'x.gz')
    expect(checked.kind).toBe('zip')
    expect(checked.notes.join()).toContain('The name says .gz (gzip), the bytes say zip.')
    expect(checked.notes.join()).toContain('archive')
    expect((await check(Buffer.alloc(64, 9), 'x.xz')).notes.join()).toContain('the bytes say something else')
  })

  it.each([
    ['Debian package', '!<arch>\ndebian-binary   1'],
    ['RPM package', '\xed\xab\xee\xdb\x03\x00'],
    ['7z archive', '7z\xbc\xaf\x27\x1c\x00\x04'],
  ])('names a %s as an archive', async (kind, start) => {
    const checked = await check(Buffer.from(start.padEnd(100, '\0'), 'latin1'), 'x.bin')
    expect([checked.kind, checked.verdict]).toEqual([kind, 'unknown'])
    expect(checked.notes.join()).toContain('want the image inside')
  })

  it.each([
    [2, 'Windows program', 1],
    [10, 'EFI program', 0],
  ])(
    'tells by the subsystem (%i) a program for a desktop from one that boots a device',
    async (subsystem, kind, notes) => {
      const pe = Buffer.alloc(256)
      pe.write('MZ')
      pe.writeUInt32LE(128, 60)
      pe.write('PE\0\0', 128)
      pe.writeUInt16LE(subsystem, 128 + 24 + 68)
      const checked = await check(pe, 'x.bin')
      expect([checked.kind, checked.notes.length]).toEqual([kind, notes])
    },
  )

  it('warns from 2 GiB on, and not a byte before', async () => {
    const sparse = (bytes: number): ByteSource => ({
      bytes,
      read: (at, length) => Buffer.alloc(Math.max(0, Math.min(length, bytes - at)), 1),
    })
    expect((await checkSource(sparse(2 ** 31 - 1), 'x.bin')).notes).toEqual([])
    expect((await checkSource(sparse(2 ** 31), 'x.bin')).notes.join()).toContain('2147483648 bytes')
  })

  it('passes over a little padding, and names more', async () => {
    const hex = ':00000001FF\n'
    expect((await check(`${hex}\n\n`, 'x.hex')).notes).toEqual([])
    expect((await check(`${hex}sign`, 'x.hex')).notes.join()).toContain(
      '4 bytes follow the end of the Intel HEX data at byte 12',
    )
  })
})
