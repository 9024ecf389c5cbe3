/** What is written of images when the ledger has room again. */
import { EventEmitter } from 'node:events'
import { expect, it } from 'vitest'
import { createImageRecords } from '../../server/depot/image-records.ts'
import type { JudgedCatalogue } from '../../server/depot/judged-catalogue.ts'
import type { NewEntry } from '../../server/ledger/entries.ts'
import { createStrikes } from '../../server/ledger/strikes.ts'
import type { Image } from '../../server/staging/image.ts'
import { createImageHistory } from '../../server/staging/image-history.ts'
import { NO_FORMAT, NO_STANDING } from '../../server/staging/judge.ts'

const SHA256 = 'ab'.repeat(32)

function image(state: Image['state']): Image {
  return {
    name: 'x.bin',
    file: '/staging/x.bin',
    plainPath: '/x.bin',
    digestPath: `/${SHA256.slice(0, 8)}.bin`,
    bytes: 1,
    modifiedMs: 0,
    state,
    published: NO_STANDING,
    format: NO_FORMAT,
    notes: [],
    version: {
      identity: { dev: 1n, ino: 1n, size: 1n, mtimeNs: 0n, ctimeNs: 0n },
      bytes: 1,
      sha256: SHA256,
      crc32: '00000000',
      blockBytes: 262_144,
      blocks: new Uint8Array(32),
      blocksSha256: SHA256,
      more: {},
    },
  }
}

it.each([
  ['reading', []],
  ['settling', []],
  ['ready', ['image']],
  ['held', ['image']],
] as const)(
  'an image that is %s: its format and checksum are recorded once they are known',
  (state, kinds) => {
    const written: NewEntry[] = []
    const catalogue = { events: new EventEmitter(), images: () => [image(state)] }
    const records = createImageRecords({
      judged: { catalogue } as unknown as JudgedCatalogue,
      history: createImageHistory(),
      strikes: createStrikes(),
      record: (entry) => written.push(entry),
      append: () => undefined,
      folder: '/staging',
    })
    records.recordAll()
    expect(written.map(({ kind }) => kind)).toEqual(kinds)
  },
)
