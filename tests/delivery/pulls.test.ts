import { describe, expect, test } from 'vitest'
import { createPullRecords } from '../../server/delivery/pulls.ts'
import type { PullRecord } from '../../server/delivery/records.ts'
import { resume, SHA_A, SHA_B, SIZE, type Story, segment, tell } from './ledger-story.ts'

const MAC = '00:00:5e:00:53:01'

function pullsOf(story: Story): readonly PullRecord[] {
  const book = createPullRecords()
  for (const entry of story.entries) book.apply(entry)
  return book.pulls()
}

function only(story: Story): PullRecord {
  const pulls = pullsOf(story)
  expect(pulls).toHaveLength(1)
  return pulls[0] as PullRecord
}

describe('one whole fetch', () => {
  test('under way is a running pull', () => {
    const story = tell()
    story.begin()
    expect(only(story)).toMatchObject({ state: 'running', ended: null, bytesCovered: 0 })
  })

  test.each([
    ['delivered', SIZE, 'complete', SIZE],
    ['unconfirmed', SIZE, 'unconfirmed', 0],
    ['reset-late', SIZE, 'unconfirmed', 0],
    ['cut', 400, 'incomplete', 0],
    ['withdrawn', 400, 'incomplete', 0],
    ['lost-track', 0, 'incomplete', 0],
  ] as const)('%s makes the pull %s', (ending, handed, state, covered) => {
    const story = tell()
    story.fetch({}, ending, handed)
    expect(only(story)).toMatchObject({ state, bytesCovered: covered })
  })

  test('headers alone and rehearsals make no pull', () => {
    const story = tell()
    story.fetch({ promised: 0 }, 'headers-only', 0)
    story.fetch({ rehearsal: true }, 'delivered', SIZE)
    expect(pullsOf(story)).toEqual([])
  })
})

describe('the order on record', () => {
  test('a pull knows where the ledger begins it, and where the latest entry about it stands', () => {
    const story = tell()
    story.opened()
    story.fetch({}, 'cut', 600)
    story.fetch(resume(500), 'delivered', 500)
    expect(only(story)).toMatchObject({ begunSeq: 2, latestSeq: 5 })
  })

  test('"I hold all of it" is the latest entry about a pull', () => {
    const story = tell()
    story.fetch({}, 'reset-late', SIZE)
    story.fetch({ from: '192.0.2.77' }, 'cut', 3)
    story.refuse({ range: `bytes=${SIZE}-`, status: 416, reason: 'nothing is left' })
    expect(pullsOf(story)[0]).toMatchObject({ state: 'complete', begunSeq: 1, latestSeq: 5 })
  })

  test('of several ledgers read together the place among all entries counts', () => {
    const story = tell()
    story.fetch({}, 'delivered', SIZE)
    const book = createPullRecords()
    for (const entry of story.entries) book.apply(entry, entry.seq * 10)
    expect(book.pulls()[0]).toMatchObject({ begunSeq: 10, latestSeq: 20 })
  })
})

describe('resuming', () => {
  test('a cut fetch and its resume are one complete pull', () => {
    const story = tell()
    story.fetch({}, 'cut', 600)
    story.fetch(resume(500), 'delivered', 500)
    expect(only(story)).toMatchObject({ state: 'complete', bytesCovered: SIZE, fetches: ['1', '2'] })
  })

  test('the statement counts by what had been handed over when it was made, not later', () => {
    const story = tell()
    story.fetch({}, 'cut', 500)
    story.refuse({ range: `bytes=${SIZE}-`, status: 416, reason: 'nothing is left' })
    story.fetch(resume(500), 'reset-late', 500)
    expect(only(story)).toMatchObject({ state: 'unconfirmed', bytesCovered: 500 })
    const early = tell()
    const first = early.begin()
    const second = early.begin(resume(900))
    early.end(first, 'cut', 950)
    early.end(second, 'delivered', 100)
    expect(only(early)).toMatchObject({ state: 'unconfirmed', bytesCovered: 100 })
  })

  test('the statement counts no further than what an earlier fetch handed over', () => {
    const story = tell()
    story.fetch({}, 'cut', 499)
    story.fetch(resume(500), 'delivered', 500)
    expect(only(story)).toMatchObject({ state: 'incomplete', bytesCovered: 500 })
  })

  test('a resume that was answered with the whole image states nothing: the client drops its front', () => {
    const story = tell()
    story.fetch({}, 'cut', 600)
    story.fetch({ range: 'bytes=500-', status: 200 }, 'cut', 100)
    story.fetch(segment(500, SIZE - 1), 'delivered', 500)
    expect(pullsOf(story).at(-1)).toMatchObject({ state: 'incomplete', bytesCovered: 500 })
  })

  test('a resume of a resume counts', () => {
    const story = tell()
    story.fetch({}, 'cut', 300)
    story.fetch(resume(250), 'reset-late', 750)
    story.fetch(resume(900), 'delivered', 100)
    expect(only(story).state).toBe('complete')
  })

  test('a statement after a fetch that we lost track of counts', () => {
    const story = tell()
    story.fetch({}, 'lost-track', 0)
    story.fetch(resume(700), 'delivered', 300)
    expect(only(story).state).toBe('complete')
  })

  test('a resume with nothing before it covers its own bytes alone', () => {
    const story = tell()
    story.fetch(resume(700), 'delivered', 300)
    expect(only(story)).toMatchObject({ state: 'incomplete', bytesCovered: 300 })
  })

  test('416 to bytes=SIZE- after everything was handed over completes the pull', () => {
    const story = tell()
    story.fetch({}, 'reset-late', SIZE)
    story.refuse({ status: 416, reason: 'outside', range: `bytes=${SIZE}-` })
    expect(only(story).state).toBe('complete')
  })

  test('416 after less was handed over proves nothing', () => {
    const story = tell()
    story.fetch({}, 'cut', SIZE - 1)
    story.refuse({ status: 416, reason: 'outside', range: `bytes=${SIZE}-` })
    expect(only(story).state).toBe('incomplete')
  })

  test('416 to a range beyond the size is no statement about this version', () => {
    const story = tell()
    story.fetch({}, 'reset-late', SIZE)
    story.refuse({ status: 416, reason: 'outside', range: `bytes=${SIZE + 1}-` })
    expect(only(story).state).toBe('unconfirmed')
  })

  test('the statement of another client does not count', () => {
    const story = tell()
    story.fetch({ from: '192.0.2.31' }, 'cut', 600)
    story.fetch(resume(500, { from: '192.0.2.32' }), 'delivered', 500)
    expect(pullsOf(story).map(({ state }) => state)).toEqual(['incomplete', 'incomplete'])
  })

  test('a request from byte 0 begins a new pull', () => {
    const story = tell()
    story.fetch({}, 'cut', 600)
    story.fetch({}, 'delivered', SIZE)
    expect(pullsOf(story).map(({ state, fetches }) => [state, fetches])).toEqual([
      ['incomplete', ['1']],
      ['complete', ['2']],
    ])
  })
})

describe('two versions', () => {
  test('their ranges never add up', () => {
    const story = tell()
    story.fetch({ sha256: SHA_A }, 'cut', 600)
    story.fetch(resume(500, { sha256: SHA_B }), 'delivered', 500)
    expect(pullsOf(story).map(({ state }) => state)).toEqual(['incomplete', 'incomplete'])
  })

  test('a client that changed version is flagged', () => {
    const story = tell()
    story.fetch({ sha256: SHA_A }, 'cut', 600)
    story.fetch({ sha256: SHA_B, range: 'bytes=600-', versionChanged: true }, 'delivered', SIZE)
    expect(pullsOf(story)[1]).toMatchObject({ state: 'complete', versionChanged: true, bytesCovered: SIZE })
  })
})

describe('segments', () => {
  test('disjoint ranges add up', () => {
    const story = tell()
    const a = story.begin(segment(0, 499))
    const b = story.begin(segment(500, 999, { beside: 1 }))
    story.end(a, 'delivered', 500)
    story.end(b, 'delivered', 500)
    expect(only(story)).toMatchObject({ state: 'complete', fetches: ['1', '2'] })
  })

  test('a first, whole-file request that leaves early makes it unconfirmed, not complete', () => {
    const story = tell()
    const whole = story.begin()
    const tail = story.begin(segment(500, 999, { beside: 1 }))
    story.end(whole, 'cut', 500)
    story.end(tail, 'delivered', 500)
    expect(only(story).state).toBe('unconfirmed')
  })

  test('the last, open-ended segment is no statement that the rest is held', () => {
    const story = tell()
    const whole = story.begin()
    const tail = story.begin(resume(500, { beside: 1 }))
    story.end(whole, 'cut', 900)
    story.end(tail, 'delivered', 500)
    expect(only(story).state).toBe('unconfirmed')
  })

  test('an open-ended range beside bounded ones is no statement, in whatever order they come', () => {
    const story = tell()
    story.fetch({}, 'cut', 800)
    story.fetch(resume(700), 'delivered', 300)
    story.fetch(segment(100, 199), 'cut', 10)
    expect(only(story).state).toBe('unconfirmed')
  })

  test('a bounded range from byte 0 beside others joins their pull', () => {
    const story = tell()
    const b = story.begin(segment(500, 999))
    const a = story.begin(segment(0, 499, { beside: 1 }))
    story.end(b, 'delivered', 500)
    story.end(a, 'delivered', 500)
    expect(only(story).state).toBe('complete')
  })

  test('bytes handed over twice at the same time leave segments unconfirmed: they may be of two devices', () => {
    const story = tell()
    const a = story.begin(segment(0, 599))
    const b = story.begin(segment(400, 999, { beside: 1 }))
    story.end(a, 'delivered', 600, { lastByteMs: 90 })
    story.end(b, 'delivered', 600, { lastByteMs: 180 })
    expect(only(story)).toMatchObject({ state: 'unconfirmed', shared: true })
  })
})

describe('a shared address', () => {
  test('two whole fetches at the same time, both delivered, mark it', () => {
    const story = tell()
    const a = story.begin()
    const b = story.begin()
    story.end(a, 'delivered', SIZE)
    story.end(b, 'delivered', SIZE, { lastByteMs: 190 })
    expect(pullsOf(story).map(({ state, shared }) => [state, shared])).toEqual([
      ['unconfirmed', true],
      ['unconfirmed', true],
    ])
  })

  test('one after the other does not', () => {
    const story = tell()
    story.fetch({}, 'delivered', SIZE)
    story.wait(1000)
    story.fetch({}, 'delivered', SIZE)
    expect(pullsOf(story).map(({ state, shared }) => [state, shared])).toEqual([
      ['complete', false],
      ['complete', false],
    ])
  })

  test('a device that restarted and left a dead connection behind is not several devices', () => {
    const story = tell()
    const dead = story.begin()
    const again = story.begin()
    story.end(again, 'delivered', SIZE)
    story.end(dead, 'cut', 300, { lastByteMs: 400 })
    expect(pullsOf(story).map(({ state, shared }) => [state, shared])).toEqual([
      ['incomplete', false],
      ['complete', false],
    ])
  })
})

test('a device that probes, leaves and takes all before the server sees that it left holds the image', () => {
  const story = tell()
  const probe = story.begin()
  const whole = story.begin({ beside: 1 })
  story.end(probe, 'cut', 300, { lastByteMs: 50 })
  story.end(whole, 'delivered', SIZE)
  expect(pullsOf(story)).toMatchObject([
    { state: 'incomplete', shared: false },
    { state: 'complete', shared: false, notes: [] },
  ])
})

describe('who a client is', () => {
  test('its hardware address, across network addresses', () => {
    const story = tell()
    story.fetch({ from: '192.0.2.31', mac: MAC }, 'cut', 600)
    story.fetch(resume(600, { from: '192.0.2.77', mac: MAC }), 'delivered', 400)
    expect(only(story)).toMatchObject({ state: 'complete', client: { mac: MAC } })
  })

  test('a hardware address learnt late gathers what its network address did', () => {
    const story = tell()
    story.fetch({ from: '192.0.2.31' }, 'cut', 600)
    story.neighbour('192.0.2.31', MAC)
    story.fetch(resume(600, { from: '192.0.2.77', mac: MAC }), 'delivered', 400)
    expect(only(story)).toMatchObject({ state: 'complete', client: { mac: MAC } })
  })

  test('a hardware address that comes with a later fetch gathers what began shortly before it', () => {
    const story = tell()
    story.fetch({}, 'cut', 600)
    story.fetch(resume(600, { mac: MAC }), 'delivered', 400)
    expect(only(story)).toMatchObject({ state: 'complete', client: { mac: MAC } })
  })

  test('a resume without the hardware address that the first fetch had goes on in its pull', () => {
    const story = tell()
    story.fetch({ mac: MAC }, 'cut', 600)
    story.fetch(resume(600), 'delivered', 400)
    expect(only(story)).toMatchObject({ state: 'complete', client: { mac: MAC } })
  })

  test('what the next device at its network address fetched made the pull of the one before complete', () => {
    const story = tell()
    story.fetch({ mac: MAC }, 'cut', 600)
    const second = story.begin(resume(600))
    story.neighbour('192.0.2.31', '00:00:5e:00:53:02')
    story.end(second, 'delivered', 400)
    expect(pullsOf(story)).toMatchObject([{ state: 'unconfirmed', client: { mac: MAC } }])
  })

  test('what the next device at its network address said to hold counted as held by the one before', () => {
    const story = tell()
    story.fetch({ mac: MAC }, 'reset-late', SIZE)
    const second = story.begin(resume(600))
    story.neighbour('192.0.2.31', '00:00:5e:00:53:02')
    story.end(second, 'delivered', SIZE - 600)
    expect(pullsOf(story)).toMatchObject([{ state: 'unconfirmed', bytesCovered: SIZE - 600 }])
  })

  test('a range of the next device at its network address made a complete pull unconfirmed', () => {
    const story = tell()
    story.fetch({ mac: MAC }, 'delivered', SIZE)
    const second = story.begin(resume(600))
    story.neighbour('192.0.2.31', '00:00:5e:00:53:02')
    story.end(second, 'delivered', 400)
    expect(pullsOf(story)).toMatchObject([
      { state: 'complete', client: { mac: MAC } },
      { state: 'incomplete', client: { mac: '00:00:5e:00:53:02' } },
    ])
  })

  test('a device that comes to the network address of another one leaves that one its pulls', () => {
    const story = tell()
    story.fetch({}, 'delivered', SIZE)
    story.neighbour('192.0.2.31', MAC)
    story.wait(5 * 60_000)
    const second = story.begin()
    story.neighbour('192.0.2.31', '00:00:5e:00:53:02')
    story.end(second, 'delivered', SIZE)
    expect(pullsOf(story).map(({ state, client }) => [state, client.mac])).toEqual([
      ['complete', MAC],
      ['complete', '00:00:5e:00:53:02'],
    ])
  })

  test('one that is plugged in seconds after another was there takes nothing of it', () => {
    const story = tell()
    story.fetch({}, 'delivered', SIZE)
    story.neighbour('192.0.2.31', MAC)
    story.wait(5_000)
    const second = story.begin()
    story.neighbour('192.0.2.31', '00:00:5e:00:53:02')
    story.end(second, 'cut', 600)
    expect(pullsOf(story).map(({ state, client }) => [state, client.mac])).toEqual([
      ['complete', MAC],
      ['incomplete', '00:00:5e:00:53:02'],
    ])
  })

  test.each([
    ['back', -60 * 60_000],
    ['on', 60 * 60_000],
  ])(
    'a clock set %s by an hour gives a late hardware address nothing of who was there long before',
    (_to, byMs) => {
      const story = tell()
      story.opened()
      story.fetch({}, 'delivered', SIZE)
      story.wait(5 * 60_000)
      story.setClock(byMs)
      const second = story.begin()
      story.setClock(byMs)
      story.neighbour('192.0.2.31', MAC)
      story.end(second, 'cut', 600)
      expect(pullsOf(story).map(({ state, client }) => [state, client.mac])).toEqual([
        ['complete', null],
        ['incomplete', MAC],
      ])
    },
  )

  test('a hardware address learnt at another site, hours ago, is nobody’s any more; after a short break it is', () => {
    for (const [minutes, mac] of [
      [5, MAC],
      [300, null],
    ] as const) {
      const story = tell()
      story.opened()
      story.fetch({ mac: MAC }, 'cut', 600)
      story.wait(minutes * 60_000)
      story.opened()
      story.fetch({}, 'delivered', SIZE)
      expect(pullsOf(story).map(({ client }) => client.mac)).toEqual([MAC, mac])
    }
  })

  test('a hardware address learnt now is not that of whoever had the network address long before', () => {
    const story = tell()
    story.fetch({}, 'delivered', SIZE)
    story.wait(5 * 60_000)
    story.fetch({}, 'delivered', SIZE)
    story.neighbour('192.0.2.31', MAC)
    expect(pullsOf(story).map(({ client }) => client.mac)).toEqual([null, MAC])
  })

  test('one network address used by two hardware addresses in turn is two clients', () => {
    const story = tell()
    story.fetch({ mac: '00:00:5e:00:53:01' }, 'cut', 600)
    story.fetch(resume(600, { mac: '00:00:5e:00:53:02' }), 'delivered', 400)
    expect(pullsOf(story).map(({ state }) => state)).toEqual(['incomplete', 'incomplete'])
  })
})

test('pulls are given out as soon as nothing can join them, and say the same as when all are kept', () => {
  const story = tell()
  for (let round = 0; round < 5; round += 1) {
    story.fetch({}, 'cut', 600)
    story.fetch(resume(600), 'delivered', 400)
    story.wait(1000)
  }
  const retired: PullRecord[] = []
  const book = createPullRecords({ retired: (pull) => retired.push(pull) })
  for (const entry of story.entries) book.apply(entry)
  expect(retired).toHaveLength(4)
  expect([...retired, ...book.pulls()]).toEqual(pullsOf(story))
})

test('a client that asks for a hundred thousand parts and more beside a fetch of the whole', () => {
  const story = tell()
  const bytes = 140_000
  const whole = story.begin({ bytes })
  for (let at = 0; at < bytes; at += 1) story.fetch(segment(at, at, { bytes }), 'delivered', 1)
  story.end(whole, 'cut', 1)
  const book = createPullRecords()
  for (const entry of story.entries) book.apply(entry)
  const states = book.pulls().map(({ state }) => state)
  expect(states).toEqual(['incomplete', 'unconfirmed'])
})

test('a late hardware address moves a pull that goes on, and what ran beside it is still seen', () => {
  const story = tell()
  const first = story.begin(segment(0, 599))
  const second = story.begin(segment(400, 999, { beside: 1 }))
  story.end(first, 'delivered', 600, { lastByteMs: 90 })
  story.neighbour('192.0.2.31', MAC)
  story.end(second, 'delivered', 600, { lastByteMs: 190 })
  expect(only(story)).toMatchObject({ shared: true, client: { mac: MAC }, fetches: ['1', '2'] })
})

test('resumes without end are not all told: the first ones, and how many more', () => {
  const story = tell()
  story.fetch({}, 'cut', 900)
  for (let at = 1; at <= 25; at += 1) story.fetch(resume(at), 'cut', 1)
  const told = Array.from({ length: 20 }, (_, at) => at + 1).join(', ')
  expect(only(story).notes).toEqual([`resumed at byte ${told} and 5 times more`])
})

describe('asked again and again, as the page does', () => {
  function eventful(): Story {
    const story = tell()
    story.fetch({}, 'cut', 600)
    const resumed = story.begin(resume(600))
    const other = story.begin({ from: '192.0.2.32' })
    const beside = story.begin({ from: '192.0.2.32' })
    story.neighbour('192.0.2.31', MAC)
    story.end(resumed, 'delivered', 400)
    story.end(other, 'delivered', SIZE)
    story.end(beside, 'delivered', SIZE)
    story.refuse({ from: '192.0.2.32', range: `bytes=${SIZE}-`, status: 416, reason: 'nothing is left' })
    story.fetch({ from: '192.0.2.33', mac: MAC }, 'delivered', SIZE)
    return story
  }

  test('it says after each entry what a book says that was never asked before', () => {
    const { entries } = eventful()
    const book = createPullRecords()
    entries.forEach((entry, at) => {
      book.apply(entry)
      const fresh = createPullRecords()
      for (const earlier of entries.slice(0, at + 1)) fresh.apply(earlier)
      expect(book.pulls()).toEqual(fresh.pulls())
    })
  })

  test('it gives the same array until a pull changes', () => {
    const { entries } = eventful()
    const book = createPullRecords()
    for (const entry of entries) book.apply(entry)
    const before = book.pulls()
    expect(book.pulls()).toBe(before)
    book.renamed()
    expect(book.pulls()).not.toBe(before)
    expect(book.pulls()).toEqual(before)
  })
})

describe('a long evening', () => {
  const KEPT = 10

  /** One device pulled, then broke off again and again; others pulled all the time. */
  function longStory(): Story {
    const story = tell()
    story.fetch({ from: '192.0.2.7' }, 'cut', 3)
    story.fetch({ from: '192.0.2.7' }, 'delivered', SIZE)
    for (let time = 0; time < 60; time += 1) story.fetch({ from: '192.0.2.7' }, 'cut', 3)
    for (let time = 0; time < 300; time += 1)
      story.fetch({ from: `192.0.2.${20 + (time % 3)}` }, 'delivered', SIZE)
    return story
  }

  test('every pull that ever was stayed in memory', () => {
    const records = createPullRecords({ keepLatest: KEPT })
    for (const entry of longStory().entries) records.apply(entry)
    expect(records.pulls().length).toBeLessThan(150)
    expect(records.pulls().length + records.folded()).toBe(362)
  })

  test('what is kept are the latest ones and those that still decide', () => {
    const { entries } = longStory()
    const records = createPullRecords({ keepLatest: KEPT })
    for (const entry of entries) records.apply(entry)
    const all = createPullRecords()
    for (const entry of entries) all.apply(entry)
    const kept = records.pulls()
    expect(kept.slice(-KEPT)).toEqual(all.pulls().slice(-KEPT))
    const states = kept.filter(({ client }) => client.address === '192.0.2.7').map(({ state }) => state)
    expect(states.filter((state) => state === 'complete')).toHaveLength(1)
    expect(states.at(-1)).toBe('incomplete')
    for (const pull of kept) expect(all.pulls()).toContainEqual(pull)
  })
})
