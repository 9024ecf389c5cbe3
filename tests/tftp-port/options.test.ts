/** Options against RFC 2347, 2348, 2349 and 7440. */
import fc from 'fast-check'
import { expect, test } from 'vitest'
import { grantOptions } from '../../server/tftp-port/options.ts'
import type { Option } from '../../server/tftp-port/packets.ts'

const offer = { bytes: 70_000, blockBytesAtMost: 1468 }
const asking = (options: Record<string, string>): readonly Option[] =>
  Object.entries(options).map(([name, value]) => ({ name, value }))
const answered = (options: Record<string, string>, than = offer): Record<string, string> =>
  Object.fromEntries(grantOptions(asking(options), than).options.map(({ name, value }) => [name, value]))

test('without options: 512 bytes, one block at a time, and no acknowledgement of options', () => {
  expect(grantOptions([], offer)).toEqual({ terms: { blockBytes: 512, windowBlocks: 1 }, options: [] })
})

test('what is asked is answered in the order and the spelling of the request', () => {
  const { options } = grantOptions(
    asking({ TSize: '0', blksize: '1024', Timeout: '3', windowSize: '4' }),
    offer,
  )
  expect(options).toEqual([
    { name: 'TSize', value: '70000' },
    { name: 'blksize', value: '1024' },
    { name: 'Timeout', value: '3' },
    { name: 'windowSize', value: '4' },
  ])
})

test('a block never outgrows the packet of the interface, a window never 64 blocks or 128 KiB', () => {
  expect(answered({ blksize: '65464', windowsize: '65535' })).toEqual({ blksize: '1468', windowsize: '64' })
  const loopback = { ...offer, blockBytesAtMost: 65_464 }
  expect(answered({ blksize: '65464', windowsize: '16' }, loopback)).toEqual({
    blksize: '65464',
    windowsize: '2',
  })
})

test('values that their RFC does not know are left unanswered', () => {
  const bad = { blksize: '7', windowsize: '0', timeout: '256', tsize: '-1' }
  expect(answered(bad)).toEqual({})
  expect(answered({ blksize: '1e3', windowsize: ' 4', timeout: '', tsize: 'x' })).toEqual({})
  expect(grantOptions(asking(bad), offer).terms).toEqual({ blockBytes: 512, windowBlocks: 1 })
})

test('unknown options are left unanswered, whatever they are called', () => {
  expect(answered({ multicast: '', constructor: '1', __proto__: '1', toString: '2' })).toEqual({})
})

test('nothing that was not asked is answered, and no value is above the one asked', () => {
  const name = fc.constantFrom('blksize', 'windowsize', 'timeout', 'BLKSIZE', 'x', 'valueOf')
  const option = fc.record({ name, value: fc.oneof(fc.nat(70_000).map(String), fc.string({ maxLength: 4 })) })
  const list = fc.uniqueArray(option, { selector: (each) => each.name.toLowerCase() })
  fc.assert(
    fc.property(list, fc.integer({ min: 8, max: 65_464 }), (asked, blockBytesAtMost) => {
      const granted = grantOptions(asked, { bytes: 1, blockBytesAtMost })
      for (const { name: answer, value } of granted.options) {
        const found = asked.find((each) => each.name === answer)
        expect(Number(value)).toBeLessThanOrEqual(Number(found?.value))
      }
      expect(granted.terms.windowBlocks * granted.terms.blockBytes).toBeLessThanOrEqual(128 * 1024)
    }),
  )
})
