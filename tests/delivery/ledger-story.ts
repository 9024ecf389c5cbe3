/** Entries told as a story: what clients did, in order, for tests of what is derived from the ledger. */

import type { Ending } from '../../server/ledger/ending-names.ts'
import type { Entry, ImageReference, NewEntry } from '../../server/ledger/entries.ts'
import { recorded } from '../ledger/recorded.ts'

export const SHA_A = 'a'.repeat(64)
export const SHA_B = 'b'.repeat(64)
export const SIZE = 1000

export interface Told {
  readonly from?: string
  readonly mac?: string | undefined
  /** `switch.bin` unless told. */
  readonly image?: ImageReference
  readonly sha256?: string
  readonly bytes?: number
  /** Range header as sent. */
  readonly range?: string
  /** 206 with a range unless told. */
  readonly status?: number
  readonly first?: number
  readonly promised?: number
  readonly beside?: number
  readonly versionChanged?: boolean
  readonly rehearsal?: boolean
}

export interface Story {
  readonly entries: Entry[]
  add(entry: NewEntry): void
  begin(told?: Told): number
  end(
    id: number,
    ending: Ending,
    handed: number,
    more?: { acknowledged?: boolean; lastByteMs?: number; durationMs?: number },
  ): void
  /** Begins and ends at once. */
  fetch(told: Told, ending: Ending, handed: number): number
  refuse(told: Told & { status: number; reason: string }): number
  neighbour(address: string, mac: string): void
  /** The server is started (again). */
  opened(): void
  /** Lets time pass. */
  wait(ms: number): void
  /** The laptop's clock is set, by so much. */
  setClock(byMs: number): void
}

/** `pauseMs`: before each entry but the endings, which come as long after their beginning as the fetch takes. */
export function tell({ startMs = Date.parse('2026-03-03T18:00:00Z'), pauseMs = 1 } = {}): Story {
  const entries: Entry[] = []
  let upMs = 0
  let clockMs = startMs
  let lastId = 0

  function add(entry: NewEntry): void {
    if (entry.kind !== 'fetch-ended') pass(pauseMs)
    entries.push(recorded(entry, entries.length + 1, new Date(clockMs).toISOString()))
  }

  function pass(ms: number): void {
    clockMs += ms
    upMs += ms
  }

  /** What a fetch and a refusal have in common. */
  function asked(told: Told) {
    lastId += 1
    const { name = 'switch.bin', bytes = SIZE, sha256 = SHA_A } = { ...told.image, ...told }
    const image = { name, plainPath: `/${name}`, bytes, sha256 }
    return {
      id: lastId,
      client: {
        address: told.from ?? '192.0.2.31',
        port: 40_000 + lastId,
        ...(told.mac && { mac: told.mac }),
      },
      localAddress: '192.0.2.10',
      method: 'GET',
      target: image.plainPath,
      ...(told.range !== undefined && { range: told.range }),
      image,
    }
  }

  const story: Story = {
    entries,
    add,
    begin(told = {}) {
      const request = asked(told)
      const first = told.first ?? 0
      add({
        kind: 'fetch-begun',
        ...request,
        httpVersion: '1.1',
        status: told.status ?? (told.range === undefined ? 200 : 206),
        upMs: upMs + pauseMs,
        first,
        promised: told.promised ?? request.image.bytes - first,
        ...(told.beside !== undefined && { beside: told.beside }),
        ...(told.versionChanged === true && { versionChanged: true }),
        ...(told.rehearsal === true && { rehearsal: true }),
      })
      return lastId
    },
    end(id, ending, handed, more = {}) {
      const { durationMs = 100, lastByteMs = durationMs - 10, acknowledged } = more
      pass(durationMs)
      add({
        kind: 'fetch-ended',
        id,
        ending,
        bytesHandedOver: handed,
        lastByteMs,
        durationMs,
        ...(acknowledged !== undefined && { acknowledged }),
      })
    },
    fetch(told, ending, handed) {
      const id = story.begin(told)
      story.end(id, ending, handed)
      return id
    },
    refuse(told) {
      const request = asked(told)
      add({ kind: 'fetch-refused', ...request, status: told.status, reason: told.reason })
      return request.id
    },
    opened: () =>
      add({
        kind: 'opened',
        version: '0.0.0',
        host: 'bench',
        system: '',
        zoneOffsetMinutes: 0,
        addresses: [],
        settings: {},
      }),
    neighbour: (address, mac) => add({ kind: 'neighbour', address, mac }),
    wait: pass,
    setClock(byMs) {
      clockMs += byMs
    },
  }
  return story
}

export function resume(offset: number, more: Told = {}): Told {
  return { range: `bytes=${offset}-`, first: offset, ...more }
}

export function segment(first: number, last: number, more: Told = {}): Told {
  return { range: `bytes=${first}-${last}`, first, promised: last - first + 1, ...more }
}
