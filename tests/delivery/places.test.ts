/** Places for fetches: shared fairly, at a cost that does not grow with how many are open. */
import { expect, test } from 'vitest'
import type { RunningFetch } from '../../server/delivery/fetch.ts'
import { createPlaces, type Place, type Places } from '../../server/delivery/places.ts'
import { FetchproofError } from '../../server/errors.ts'

function bench({ maxFetches = 4, maxFetchesPerClient = 2 } = {}) {
  let now = 0
  const ended: string[] = []
  const limits = { maxFetches, maxFetchesPerClient, stalledMs: 10_000, pauseMs: 900_000 }
  const places = createPlaces(limits, {
    clock: () => now,
    stillMs: ({ movedAt }) => now - movedAt,
  })
  /** A fetch that sends; when it is put out its place is free. */
  function begin(address: string, { bytes = 0, wentOn = 0 } = {}): Place | string {
    let place: Place
    try {
      place = places.take(address, address.startsWith('198.51.100.'))
    } catch (error) {
      return String(error instanceof FetchproofError ? error.fields.why : error)
    }
    const end = (how: string) => (): void => {
      ended.push(`${address} ${how}`)
      place.leave()
    }
    const fetch: RunningFetch = {
      start: () => undefined,
      withdraw: end('withdrawn'),
      giveUp: end('given up'),
      sending: true,
      bytesHandedOver: bytes,
      wentOn,
      movedAt: now,
    }
    place.sends(fetch)
    return place
  }
  return { places, ended, begin, pass: (ms: number) => (now += ms) }
}

const waiting = ({ waiting }: Places): number => waiting

test('when all places are taken, the client that has most gives way to another, with what has got least', () => {
  const { begin, ended } = bench()
  for (const bytes of [30, 10, 20, 40]) begin('192.0.2.2', { bytes })
  expect(begin('192.0.2.3')).toBeTypeOf('object')
  expect(ended).toEqual(['192.0.2.2 withdrawn'])
  expect(begin('192.0.2.2')).toBe('this client already has 3 fetches and all places are taken')
})

test('a newcomer was refused for seconds while others had never taken a byte after the first moment', () => {
  const { begin, ended, pass } = bench()
  for (const nth of [2, 3, 4, 5]) {
    begin(`192.0.2.${nth}`)
    pass(10)
  }
  expect(begin('192.0.2.6')).toBe('all 4 places are taken (--max-fetches)')
  pass(250)
  expect(begin('192.0.2.6')).toBeTypeOf('object')
  expect(ended).toEqual(['192.0.2.2 withdrawn'])
})

test('who goes on after pauses may stand still for as long as one that is not called stalled', () => {
  const { begin, ended, pass } = bench({ maxFetches: 1 })
  begin('192.0.2.2', { wentOn: 100 })
  pass(9_999)
  expect(begin('192.0.2.3')).toBeTypeOf('string')
  pass(1)
  begin('192.0.2.3')
  expect(ended).toEqual(['192.0.2.2 withdrawn'])
})

test('of a client with more than its share one makes room before a device that erases its flash', () => {
  const { begin, ended, pass } = bench()
  begin('192.0.2.9')
  pass(11_000)
  for (const address of ['192.0.2.2', '192.0.2.2', '192.0.2.2']) begin(address)
  pass(1_000)
  begin('192.0.2.3')
  begin('192.0.2.4')
  expect(ended).toEqual(['192.0.2.2 withdrawn', '192.0.2.9 withdrawn'])
})

test('no device of the visit makes room for a stranger, and the longest still stranger does for it', () => {
  const { begin, ended, pass } = bench({ maxFetches: 2 })
  begin('198.51.100.2')
  pass(11_000)
  begin('192.0.2.2')
  expect(begin('192.0.2.3')).toBeTypeOf('string')
  pass(1_000)
  begin('192.0.2.3')
  pass(1_000)
  begin('198.51.100.3')
  expect(begin('192.0.2.4')).toBeTypeOf('string')
  begin('198.51.100.4')
  expect(ended).toEqual(['192.0.2.2 withdrawn', '192.0.2.3 withdrawn', '198.51.100.2 withdrawn'])
})

test('two IPv6 addresses of one /64 are one client', () => {
  const { begin } = bench({ maxFetches: 2 })
  begin('2001:db8::1')
  begin('2001:db8::2')
  expect(begin('2001:db8::3')).toBe('this client already has 2 fetches and all places are taken')
})

test('a client that comes and goes puts out no more others a second than it may have fetches', () => {
  const { begin, ended, pass } = bench({ maxFetches: 40 })
  for (let nth = 0; nth < 40; nth += 1) begin('192.0.2.2')
  const come = (): boolean => {
    const place = begin('192.0.2.3')
    if (typeof place !== 'object') return false
    place.leave()
    // Its place is taken again at once, by a third.
    begin('192.0.2.4')
    return true
  }
  expect([come(), come(), come(), come()]).toEqual([true, true, false, false])
  expect(ended).toHaveLength(2)
  pass(1_000)
  expect(come()).toBe(true)
})

test('what waits for its client to close takes no place, and of too many the longest is given up', () => {
  const { places, begin, ended, pass } = bench({ maxFetches: 2 })
  for (let nth = 0; nth < 9; nth += 1) {
    pass(10)
    const place = begin(nth === 0 ? '192.0.2.3' : '192.0.2.2')
    if (typeof place === 'object') place.waits()
  }
  expect(ended).toEqual(['192.0.2.2 given up'])
  expect(waiting(places)).toBe(8)
})

test('a place that was left is left once: nothing is counted twice', () => {
  const { places, begin } = bench({ maxFetches: 1 })
  const place = begin('192.0.2.2')
  if (typeof place === 'object') {
    place.waits()
    place.leave()
    place.waits()
    place.leave()
  }
  expect(waiting(places)).toBe(0)
  expect(begin('192.0.2.3')).toBeTypeOf('object')
  expect(begin('192.0.2.4')).toBe('all 1 places are taken (--max-fetches)')
})
