/**
 * When our end of stream leaves, against a wire and a send queue that are played. A client's close may lie unread
 * in the system when our own leaves; the kernel then forgets the connection, and what was not seen before cannot be.
 */
import { expect, onTestFinished, test } from 'vitest'
import type { HeldBlock, OpenedVersion } from '../../server/delivery/blocks.ts'
import { createFetch, type FetchEnd, type Wire } from '../../server/delivery/fetch.ts'
import { createTurns } from '../../server/delivery/sending-turns.ts'
import type { SendQueue } from '../../server/network/connection-table.ts'
import type { SendQueueAnswer } from '../../server/network/send-queue.ts'

const IMAGE = Buffer.from('the whole image')
const BLOCK: HeldBlock = {
  pieces: [{ bytes: IMAGE, hold: () => () => undefined }],
  letGo: () => undefined,
}
const EMPTY: SendQueueAnswer = { kind: 'listed', state: 'ESTABLISHED', queued: 0 }
const FULL: SendQueueAnswer = { kind: 'listed', state: 'ESTABLISHED', queued: 9 }
const ONE_BYTE: SendQueueAnswer = { kind: 'listed', state: 'ESTABLISHED', queued: 1 }
const CLOSED: SendQueueAnswer = { kind: 'listed', state: 'TIME_WAIT', queued: 0 }
const UNREADABLE: SendQueueAnswer = { kind: 'unreadable', why: 'EMFILE' }
const ABSENT: SendQueueAnswer = { kind: 'not listed' }

/**
 * A fetch whose wire takes everything at once. `answers` are what the send queue says, the last one for ever; once
 * our end of stream has left, the system has forgotten the connection unless told.
 */
function play(
  answers: readonly (
    | SendQueueAnswer
    | 'the client closes'
    | 'the client closes in a long turn'
    | 'nothing'
  )[],
  onEndOfStream: (client: Client) => void,
  afterwards: SendQueueAnswer = ABSENT,
  closes?: 'with its request' | 'after the last byte',
  now: () => SendQueue | undefined = () => undefined,
) {
  const said: string[] = []
  let asked = 0
  let client: Client | undefined
  let lastByteAt = 0
  let endOfStreamMs = 0
  const wire: Wire = {
    connection: { localAddress: '192.0.2.1', localPort: 80, remoteAddress: '192.0.2.2', remotePort: 1025 },
    write: (_piece, taken) =>
      setImmediate(() => {
        lastByteAt = performance.now()
        taken()
        if (closes === 'after the last byte') client?.closed()
      }),
    end: (_piece, taken) => setImmediate(taken),
    endOfStream() {
      said.push('end of stream')
      endOfStreamMs = performance.now() - lastByteAt
      if (client !== undefined) onEndOfStream(client)
    },
    release: () => undefined,
    reset: () => said.push('reset'),
    watch: (listener) => {
      client = listener
      if (closes === 'with its request') client.closed()
    },
  }
  const opened: OpenedVersion = {
    version: {
      sha256: '',
      bytes: IMAGE.length,
      crc32: '',
      blockBytes: IMAGE.length,
      blocks: new Uint8Array(32),
      blocksSha256: '',
      identity: { dev: 0n, ino: 0n, size: 0n, mtimeNs: 0n, ctimeNs: 1n },
      more: {},
    },
    at: () => BLOCK.pieces,
    load: async () => BLOCK,
    readAhead: () => undefined,
    release: () => undefined,
  }
  return new Promise<FetchEnd & { said: string[]; asked: number; endOfStreamMs: number }>((resolve) => {
    const fetch = createFetch({
      turns: createTurns(),
      opened,
      first: 0,
      promised: IMAGE.length,
      lingerMs: 2_000,
      after(ms, act) {
        const timer = setTimeout(act, ms)
        return () => clearTimeout(timer)
      },
      sendQueues: {
        supported: true,
        ask: async () => {
          const answer = answers[Math.min(asked++, answers.length - 1)]
          if (answer === 'nothing') return new Promise(() => undefined)
          if (said.length > 0 || answer === undefined) return afterwards
          if (answers[asked] === 'the client closes') setImmediate(() => client?.closed())
          if (answer === 'the client closes in a long turn') afterALongTurn(() => client?.closed())
          return typeof answer === 'string' ? EMPTY : answer
        },
        askNow() {
          const seen = said.length > 0 ? undefined : now()
          if (seen?.state === 'CLOSE_WAIT') setImmediate(() => client?.closed())
          return seen
        },
      },
      clock: () => performance.now(),
      onSeen: () => undefined,
      onHandedOver: () => undefined,
      onEnd: (end) => resolve({ ...end, said, asked, endOfStreamMs }),
      onFault: (error) => {
        throw error
      },
    })
    onTestFinished(() => fetch.withdraw('the test is over'))
    fetch.start(wire)
  })
}

/** The loop is busy for a while; what came meanwhile is read in its next turn. */
function afterALongTurn(read: () => void): void {
  setImmediate(() => {
    const end = performance.now() + 5
    while (performance.now() < end);
    setImmediate(read)
  })
}

type Client = Parameters<Wire['watch']>[0]

test('a connection that is forgotten as it is closed is not delivered: a reset may look like a close', async () => {
  const { state } = await play([EMPTY], (client) => client.closed())
  expect(state).toMatchObject({ ending: 'unconfirmed', acknowledged: true })
})

test('a close in order after an empty queue is delivered: the kernel still lists the connection', async () => {
  const { state } = await play([EMPTY], (client) => client.closed(), CLOSED)
  expect(state.ending).toBe('delivered')
})

test('a close that has come while the queue was looked at is read before our own end of stream leaves', async () => {
  const { state, said } = await play([EMPTY, 'the client closes', EMPTY], () => undefined)
  expect(state.ending).toBe('delivered')
  expect(said).toEqual([])
})

test('a close that comes during a long turn of the loop is read before our own end of stream leaves', async () => {
  const { state, said } = await play(['the client closes in a long turn', EMPTY], () => undefined)
  expect(state.ending).toBe('delivered')
  expect(said).toEqual([])
})

test('a table that cannot be read for once says nothing: neither a reset nor a late one', async () => {
  const { state } = await play([UNREADABLE, UNREADABLE, EMPTY], (client) => client.closed(), CLOSED)
  expect(state.ending).toBe('delivered')
})

test('a table that cannot be read any more leaves the judgement to the close', async () => {
  const { state } = await play([UNREADABLE], (client) => client.closed(), UNREADABLE)
  expect(state.ending).toBe('delivered')
})

test('our end of stream waits until the client has acknowledged every byte', async () => {
  const { state, said, lastByteMs, acknowledgedMs } = await play(
    [FULL, FULL, EMPTY],
    (client) => client.closed(),
    CLOSED,
  )
  expect(said).toEqual(['end of stream'])
  expect(state.ending).toBe('delivered')
  expect(acknowledgedMs).toBeGreaterThan((lastByteMs ?? Number.NaN) + 10)
})

/** About 300 ms; what a timer and a busy machine add is not ours. */
function expectInTime(endOfStreamMs: number): void {
  expect(endOfStreamMs).toBeGreaterThan(290)
  expect(endOfStreamMs).toBeLessThan(600)
}

test('our end of stream does not wait for long: a slow client may read to it', async () => {
  const { said, asked, endOfStreamMs } = await play([FULL], (client) => client.lost('ECONNRESET'))
  expect(said).toEqual(['end of stream'])
  expect(asked).toBeLessThan(7)
  expectInTime(endOfStreamMs)
})

test('our end of stream waits for no look at a long table', async () => {
  const { said, asked, endOfStreamMs } = await play(['nothing'], (client) => client.lost('ECONNRESET'))
  expect(said).toEqual(['end of stream'])
  expect(asked).toBe(1)
  expectInTime(endOfStreamMs)
})

test('who closed its side with the request and reads to our end of stream gets it, all taken or not', async () => {
  const { state, said, endOfStreamMs } = await play([FULL], () => undefined, EMPTY, 'with its request')
  expect(said).toEqual(['end of stream'])
  expectInTime(endOfStreamMs)
  expect(state).toMatchObject({ ending: 'unconfirmed', acknowledged: true })
})

test('who closed its side after the last byte is kept no longer by a look that takes long', async () => {
  const { said, endOfStreamMs } = await play(
    ['nothing'],
    (client) => client.lost('ECONNRESET'),
    ABSENT,
    'after the last byte',
  )
  expect(said).toEqual(['end of stream'])
  expectInTime(endOfStreamMs)
})

test('a close in order that the table’s thread is too late for is seen by a look before our end of stream', async () => {
  const closed = () => ({ state: 'CLOSE_WAIT', queued: 0 })
  const { state, said } = await play(['nothing'], () => undefined, ABSENT, 'after the last byte', closed)
  expect([state.ending, said]).toEqual(['delivered', []])
})

test('a close that lies unread when our end of stream is due is read first', async () => {
  const closed = () => ({ state: 'CLOSE_WAIT', queued: 0 })
  const { state, said } = await play(['nothing'], () => undefined, ABSENT, undefined, closed)
  expect([state.ending, said]).toEqual(['delivered', []])
})

test('bytes that the client’s system has not taken when our end of stream is due make nothing delivered', async () => {
  const full = () => ({ state: 'CLOSE_WAIT', queued: 1 })
  const { state, said } = await play(
    ['nothing'],
    (client) => client.lost('ECONNRESET'),
    ABSENT,
    'after the last byte',
    full,
  )
  expect([state.ending, said]).toEqual(['reset-late', ['end of stream']])
})

test('a queue that was never seen empty leaves a forgotten connection unconfirmed', async () => {
  const { state, said } = await play([ABSENT], (client) => client.closed())
  expect(said).toHaveLength(1)
  expect(state.ending).toBe('unconfirmed')
})

test('one byte in the queue is not an empty queue', async () => {
  const { state, endOfStreamMs } = await play([ONE_BYTE], (client) => client.closed())
  expectInTime(endOfStreamMs)
  expect(state.ending).toBe('unconfirmed')
})

test('a reset after the queue was seen empty is late, not delivered', async () => {
  const { state } = await play([EMPTY], (client) => client.lost('ECONNRESET'))
  expect(state.ending).toBe('reset-late')
})

test('a client that never closes is unconfirmed although its queue was empty', async () => {
  const { state, acknowledgedMs, durationMs } = await play([EMPTY], () => undefined)
  expect(state.ending).toBe('unconfirmed')
  expect(acknowledgedMs).toBeLessThan(durationMs / 2)
})
