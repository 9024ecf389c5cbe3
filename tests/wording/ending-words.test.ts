import { expect, test } from 'vitest'
import { pullMeaning } from '../../server/bench/page/words.ts'
import { entryLine } from '../../server/commands/serve/entry-lines.ts'
import type { FetchRecord, PullRecord } from '../../server/delivery/records.ts'
import type { Ending } from '../../server/ledger/ending-names.ts'
import type { Entry } from '../../server/ledger/entries.ts'
import { FETCH_COLUMNS } from '../../server/report/audit-columns.ts'

const IMAGE = { name: 'a.bin', plainPath: '/a.bin', bytes: 1_000, sha256: '' }

function fetchThat(ending: Ending, reason: string | null = null): FetchRecord {
  const handed = { first: 0, bytesPromised: 1_000, bytesHandedOver: 400, durationMs: 1_000 }
  return {
    client: { address: '192.0.2.10' },
    image: IMAGE,
    ending,
    reason,
    acknowledged: null,
    count: 1,
    ...handed,
  } as FetchRecord
}

const PULL = { state: 'incomplete', bytesCovered: 0, image: IMAGE } as unknown as PullRecord

function onTerminal(fetch: FetchRecord): string | undefined {
  const entry = { kind: 'fetch-ended', at: '2026-11-25T20:00:00.000Z', ending: fetch.ending } as Entry
  const around = { pullOf: () => undefined, nameOf: () => null, urlOf: () => undefined }
  return entryLine(entry, { ended: fetch, ...around })?.text
}

test.each<[Ending, RegExp, string, string]>([
  [
    'reset-late',
    /reset late .*: the client broke the connection after the last byte: it may have all, some or none; /,
    'The client broke the connection after the last byte: it may have all, some or none.',
    'reset late',
  ],
  [
    'lost-track',
    /lost track .*: the server stopped while it was in progress: how far it got is not known; /,
    'The server stopped while it was in progress: how far it got is not known.',
    'lost track',
  ],
  [
    'cut',
    /CUT .*: the connection was lost; /,
    'It broke off after at most 400 of 1,000 bytes. The device does not have the whole image.',
    'cut',
  ],
])('terminal, page and audit say %s in the same words', (ending, line, meaning, cell) => {
  const fetch = fetchThat(ending)
  expect(onTerminal(fetch)).toMatch(line)
  expect(pullMeaning(PULL, fetch)).toBe(meaning)
  expect(FETCH_COLUMNS.find(({ title }) => title === 'Ending')?.cell(fetch)).toBe(cell)
})

test('what was withdrawn bears its reason', () => {
  const fetch = fetchThat('withdrawn', 'the image was held')
  expect(onTerminal(fetch)).toMatch(/WITHDRAWN .*a\.bin: the image was held; /)
  expect(pullMeaning(PULL, fetch)).toBe(
    'We stopped it: the image was held. The device does not have the image.',
  )
})
