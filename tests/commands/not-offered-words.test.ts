import { EventEmitter } from 'node:events'
import { afterEach, beforeEach, expect, it, vi } from 'vitest'
import { notOfferedWords, sayNotOffered } from '../../server/commands/serve/not-offered-words.ts'
import type { CatalogueEvents } from '../../server/staging/image.ts'
import type { NotOffered } from '../../server/staging/not-offered.ts'

beforeEach(() => void vi.useFakeTimers())
afterEach(() => void vi.useRealTimers())

const sheet = { name: 'visit.xlsx', why: 'a spreadsheet' }
const part = { name: 'fw.bin.part', why: 'being downloaded' }

it('says once what comes while serving, and nothing of what stood in the first words', () => {
  const events = new EventEmitter<CatalogueEvents>()
  let now: readonly NotOffered[] = [sheet]
  const lines: string[] = []
  sayNotOffered({ events, notOffered: () => now }, (line) => lines.push(line))
  const becomes = (next: readonly NotOffered[]) => {
    now = next
    events.emit('notOffered')
  }
  becomes([sheet, part])
  becomes([sheet, part, { name: 'x\u001b[2J.lnk', why: 'a shortcut' }])
  vi.runAllTimers()
  expect(lines).toEqual(['Not offered: fw.bin.part (being downloaded); x\\x1b[2J.lnk (a shortcut)'])
  becomes([sheet])
  vi.runAllTimers()
  becomes([sheet, part])
  vi.runAllTimers()
  expect(lines).toHaveLength(1)
})

it('says nothing of a download that is over before a person could wonder', () => {
  const events = new EventEmitter<CatalogueEvents>()
  let now: readonly NotOffered[] = [part]
  const lines: string[] = []
  sayNotOffered({ events, notOffered: () => now }, (line) => lines.push(line))
  now = [sheet, part]
  events.emit('notOffered')
  now = []
  events.emit('notOffered')
  vi.runAllTimers()
  expect(lines).toEqual([])
})

it('names eight of a heap', () => {
  const heap = Array.from({ length: 100 }, (_, at) => ({ name: `${at}.lnk`, why: 'a shortcut' }))
  expect(notOfferedWords(heap)[0]).toMatch(/^Not offered: 0\.lnk \(a shortcut\); .*7\.lnk.*; and 92 more$/)
  expect(notOfferedWords([])).toEqual([])
})
