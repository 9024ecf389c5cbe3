/** Send queues: the text of the kernel's table, batching, and what the kernel really counts (Linux). */
import { once } from 'node:events'
import { type AddressInfo, connect, createServer, type Server, type Socket } from 'node:net'
import { endianness } from 'node:os'
import { setTimeout as pause } from 'node:timers/promises'
import { afterEach, describe, expect, it } from 'vitest'
import { type Endpoints, endpointsOf, keysOf } from '../../server/network/connection-keys.ts'
import { type Looked, lookAtTables, type SendQueue } from '../../server/network/connection-table.ts'
import { createSendQueues, openSendQueues, type SendQueuesOptions } from '../../server/network/send-queue.ts'
import { needs } from '../needs.ts'

const HEAD =
  '  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode'
const REST = '01:00000014 00000000  1000        0 31415 2 0000000000000000 20 4 30 10 -1'
// 192.0.2.1:8080 -> 192.0.2.7:54321, both byte orders written out by hand.
const V4 = endianness() === 'LE' ? '010200C0:1F90 070200C0:D431' : 'C0000201:1F90 C0000207:D431'
const MAPPED =
  endianness() === 'LE'
    ? '0000000000000000FFFF0000010200C0:1F90 0000000000000000FFFF0000070200C0:D431'
    : '00000000000000000000FFFFC0000201:1F90 00000000000000000000FFFFC0000207:D431'
// 2001:db8::1 -> 2001:db8::7
const V6 =
  endianness() === 'LE'
    ? 'B80D0120000000000000000001000000:1F90 B80D0120000000000000000007000000:D431'
    : '20010DB8000000000000000000000001:1F90 20010DB8000000000000000000000007:D431'
const line = (key: string, state: string, queued: string) =>
  `   7: ${key} ${state} ${queued}:00000000 ${REST}\n`

const wanted: Endpoints = {
  localAddress: '192.0.2.1',
  localPort: 8080,
  remoteAddress: '192.0.2.7',
  remotePort: 54321,
}
const wanted6 = { ...wanted, localAddress: '2001:db8::1', remoteAddress: '2001:db8::7' }

/** What one table of this text says, whichever it is. */
function sendQueueOf(connection: Endpoints, text: string): SendQueue | undefined {
  const [found] = lookAtTables([keysOf(connection)], () => [text]).found.values()
  return found
}

/** Looks at tables that are played. */
const lookingAt =
  (readTable: (path: string) => string): NonNullable<SendQueuesOptions['look']> =>
  async (connections) =>
    lookAtTables(connections, (path) => [readTable(path)])

function throwing(error: Error): never {
  throw error
}

describe('the text of the tables', () => {
  it('finds an IPv4 connection in either table, and an IPv6 one', () => {
    expect(sendQueueOf(wanted, `${HEAD}\n${line(V4, '01', '001CFA40')}`)).toEqual({
      state: 'ESTABLISHED',
      queued: 1_899_072,
    })
    expect(sendQueueOf(wanted, `${HEAD}\n${line(MAPPED, '04', '00000001')}`)).toEqual({
      state: 'FIN_WAIT1',
      queued: 0,
    })
    expect(sendQueueOf(wanted6, `${HEAD}\n${line(V6, '06', '00000000')}`)).toEqual({
      state: 'TIME_WAIT',
      queued: 0,
    })
  })

  it.each([
    ['01', 'ESTABLISHED', 1],
    ['08', 'CLOSE_WAIT', 1],
    ['04', 'FIN_WAIT1', 0],
    ['0B', 'CLOSING', 0],
    ['09', 'LAST_ACK', 0],
  ])(
    'takes one in the queue for a byte or for our end of stream by the state: %s, %s',
    (code, state, queued) => {
      expect(sendQueueOf(wanted, line(V4, code, '00000001'))).toEqual({ state, queued })
    },
  )

  it('takes the address as Node gives it for a listener on ::', () => {
    const mapped = { ...wanted, localAddress: '::ffff:192.0.2.1', remoteAddress: '::ffff:192.0.2.7' }
    expect(sendQueueOf(mapped, line(MAPPED, '01', '00000000'))).toEqual({ state: 'ESTABLISHED', queued: 0 })
  })

  it('does not take another port, the other direction or the heading for the connection', () => {
    const text = `${HEAD}\n${line(V4, '01', '00000005')}`
    expect(sendQueueOf({ ...wanted, remotePort: 54320 }, text)).toBeUndefined()
    expect(
      sendQueueOf(
        { localAddress: '192.0.2.7', localPort: 54321, remoteAddress: '192.0.2.1', remotePort: 8080 },
        text,
      ),
    ).toBeUndefined()
    expect(sendQueueOf(wanted, '')).toBeUndefined()
    expect(sendQueueOf({ ...wanted, remoteAddress: 'gone' }, text)).toBeUndefined()
  })
})

describe('createSendQueues', () => {
  it('kept everything else waiting for a fifth of all time with looks of its own when thousands ended together', () => {
    let looks = 0
    const queues = createSendQueues({
      platform: 'linux',
      lookNow: () => {
        looks += 1
        const until = performance.now() + 10
        while (performance.now() < until);
        return { found: new Map([[V4, { state: 'ESTABLISHED', queued: 0 }]]) }
      },
    })
    const answers = Array.from({ length: 200 }, () => queues.askNow(wanted))
    expect(looks).toBeGreaterThan(0)
    expect(looks).toBeLessThan(20)
    expect(answers.filter((answer) => answer !== undefined)).toHaveLength(looks)
  })

  it('answers many questions with one look that begins after them', async () => {
    const reads: string[] = []
    const queues = createSendQueues({
      platform: 'linux',
      look: lookingAt((path) => {
        reads.push(path)
        return path.endsWith('6')
          ? line(MAPPED, '01', '00000010')
          : line(V4.replace('1F90', '1F91'), '01', '00000020')
      }),
    })
    const answers = await Promise.all([
      queues.ask(wanted),
      queues.ask({ ...wanted, localPort: 8081 }),
      queues.ask({ ...wanted, localPort: 9 }),
    ])
    expect(answers).toEqual([
      { kind: 'listed', state: 'ESTABLISHED', queued: 16 },
      { kind: 'listed', state: 'ESTABLISHED', queued: 32 },
      { kind: 'not listed' },
    ])
    expect(reads).toEqual(['/proc/net/tcp', '/proc/net/tcp6'])
  })

  it('reads the table of IPv6 only for what the other does not list', async () => {
    const reads: string[] = []
    const readTable = (path: string): string => {
      reads.push(path)
      return line(V4, '01', '00000000')
    }
    const queues = createSendQueues({ platform: 'linux', look: lookingAt(readTable) })
    expect(await queues.ask(wanted)).toMatchObject({ kind: 'listed' })
    expect(reads).toEqual(['/proc/net/tcp'])
  })

  it('says why when what looks breaks down, and asks it again the next time', async () => {
    let looks = 0
    const queues = createSendQueues({
      platform: 'linux',
      look: async (connections) => {
        looks += 1
        if (looks === 1) throw new Error('its thread ended')
        return lookAtTables(connections, () => [line(V4, '01', '00000000')])
      },
    })
    expect(await queues.ask(wanted)).toEqual({
      kind: 'unreadable',
      why: '/proc/net/tcp could not be read (its thread ended)',
    })
    expect(await queues.ask(wanted)).toMatchObject({ kind: 'listed' })
  })

  it('does not answer a question from a look that had begun before it', async () => {
    const pending: ((looked: Looked) => void)[] = []
    const begun: (() => void)[] = []
    const queues = createSendQueues({
      platform: 'linux',
      look: () =>
        new Promise((resolve) => {
          pending.push(resolve)
          begun.shift()?.()
        }),
    })
    const table = (queued: string): Looked => lookAtTables([keysOf(wanted6)], () => [line(V6, '01', queued)])
    const looking = () => new Promise<void>((resolve) => begun.push(resolve))
    let next = looking()
    const first = queues.ask(wanted6)
    await next
    const second = queues.ask(wanted6)
    next = looking()
    pending[0]?.(table('00000007'))
    expect(await first).toEqual({ kind: 'listed', state: 'ESTABLISHED', queued: 7 })
    await next
    pending[1]?.(table('00000000'))
    expect(await second).toEqual({ kind: 'listed', state: 'ESTABLISHED', queued: 0 })
  })

  it('says why when the table cannot be read, and goes on with the other', async () => {
    const queues = createSendQueues({
      platform: 'linux',
      look: lookingAt((path) =>
        path === '/proc/net/tcp' ? throwing(new Error('EACCES')) : line(MAPPED, '05', '00000000'),
      ),
    })
    expect(await queues.ask(wanted)).toEqual({ kind: 'listed', state: 'FIN_WAIT2', queued: 0 })
    expect(await queues.ask({ ...wanted, localPort: 9 })).toEqual({
      kind: 'unreadable',
      why: '/proc/net/tcp could not be read (EACCES)',
    })
  })

  it.each(['darwin', 'win32'] as const)('is unsupported on %s and reads nothing', async (platform) => {
    const queues = createSendQueues({ platform, look: () => throwing(new Error('read')) })
    expect(queues.supported).toBe(false)
    expect(await queues.ask(wanted)).toMatchObject({ kind: 'unreadable' })
  })
})

describe('openSendQueues', () => {
  it.runIf(process.platform === 'linux')(
    'shows them where an own connection stands in the table',
    async () => {
      expect(await openSendQueues()).not.toHaveProperty('whyNot')
    },
  )

  it.each([
    ['is empty', () => HEAD, 'does not list a connection that is open'],
    ['cannot be read', () => throwing(new Error('EACCES')), 'could not be read (EACCES)'],
  ])('shows none where the table %s, and says why', async (_what, readTable, why) => {
    const queues = await openSendQueues({ platform: 'linux', look: lookingAt(readTable) })
    expect(queues).toMatchObject({ supported: false, whyNot: expect.stringContaining(why) })
    expect(await queues.ask(wanted)).toMatchObject({ kind: 'unreadable' })
  })

  it('takes a system without IPv6 for one whose table of it is empty', async () => {
    const absent = Object.assign(new Error('ENOENT'), { code: 'ENOENT' })
    const queues = createSendQueues({
      platform: 'linux',
      look: lookingAt((path) => (path.endsWith('6') ? throwing(absent) : HEAD)),
    })
    expect(await queues.ask(wanted)).toEqual({ kind: 'not listed' })
  })
})

describe('what the kernel counts', needs('Linux'), () => {
  const sockets: Socket[] = []
  const servers: Server[] = []
  afterEach(async () => {
    for (const socket of sockets.splice(0)) socket.destroy()
    for (const server of servers.splice(0)) {
      server.close()
      await once(server, 'close')
    }
  })

  /** A connection of this process with itself: the serving end, and a client that reads nothing yet. */
  async function pair(host: string, listenHost = host) {
    const server = createServer({ allowHalfOpen: true, pauseOnConnect: true })
    servers.push(server)
    server.listen(0, listenHost)
    await once(server, 'listening')
    const address = server.address()
    if (address === null || typeof address === 'string') throw new Error('no port')
    const client = connect({ host, port: address.port, allowHalfOpen: true })
    const [[serving]] = (await Promise.all([once(server, 'connection'), once(client, 'connect')])) as [
      [Socket],
      unknown,
    ]
    client.pause()
    sockets.push(client, serving)
    return { client, serving, connection: endpointsOf(serving) }
  }

  const queues = createSendQueues()

  /** Asks until the answer holds; the test's own time limit is the deadline. */
  async function until(connection: Endpoints, holds: (state: string, queued: number) => boolean) {
    for (;;) {
      const answer = await queues.ask(connection)
      if (answer.kind === 'listed' && holds(answer.state, answer.queued)) return answer
    }
  }

  /**
   * The queue when it is stuck: above zero and the same for almost a second; else 0. A receiver that had no room is
   * probed after 200 ms, then 400, and may take some more (RFC 9293 section 3.8.6.1).
   */
  async function stuckQueue(connection: Endpoints): Promise<number> {
    const { queued } = await until(connection, () => true)
    for (let reading = 1; reading < 45 && queued > 0; reading += 1) {
      await pause(20)
      if ((await until(connection, () => true)).queued !== queued) return 0
    }
    return queued
  }

  it.each([
    ['IPv4', '127.0.0.1', '127.0.0.1'],
    ['IPv6', '::1', '::1'],
    ['IPv4 on a listener of both families', '127.0.0.1', '::'],
  ])('sees an empty queue of a connection over %s', async (_name, host, listenHost) => {
    const { connection } = await pair(host, listenHost)
    expect(await queues.ask(connection)).toEqual({ kind: 'listed', state: 'ESTABLISHED', queued: 0 })
  })

  it('sees bytes that a client has not taken, then none once it reads', async () => {
    const { serving, client, connection } = await pair('127.0.0.1')
    while (serving.writableLength === 0) {
      serving.write(Buffer.alloc(65_536))
      await new Promise((resolve) => setImmediate(resolve))
    }
    let stuck = 0
    while (stuck === 0) stuck = await stuckQueue(connection)
    client.resume()
    await until(connection, (state, queued) => state === 'ESTABLISHED' && queued === 0)
  })

  it('does not count our end of stream among the bytes, and shows FIN_WAIT2 once it is acknowledged', async () => {
    const { serving, connection, client } = await pair('127.0.0.1')
    // More than a client takes that does not read, yet all of it in the kernel, so that the end can follow.
    let handedOver = 0
    let stuck = 0
    while (stuck === 0) {
      serving.write(Buffer.alloc(65_536))
      handedOver += 65_536
      await new Promise((resolve) => setImmediate(resolve))
      stuck = await stuckQueue(connection)
    }
    expect(serving.writableLength).toBe(0)
    serving.end()
    const ended = await until(connection, (state) => state === 'FIN_WAIT1')
    expect(ended.queued).toBe(stuck)
    let read = 0
    client.on('data', (piece: Buffer) => {
      read += piece.length
    })
    client.resume()
    await once(client, 'end')
    expect(read).toBe(handedOver)
    expect(await until(connection, (state) => state !== 'FIN_WAIT1')).toMatchObject({
      state: 'FIN_WAIT2',
      queued: 0,
    })
  })

  it('shows TIME_WAIT with an empty queue after the client closed too', async () => {
    const { serving, client, connection } = await pair('127.0.0.1')
    serving.resume()
    client.resume()
    serving.end('the whole image')
    await once(client, 'end')
    client.end()
    await once(serving, 'close')
    const answer = await until(connection, (state) => state === 'TIME_WAIT')
    expect(answer.queued).toBe(0)
  })

  /** Each closed by the serving end first: the kernel keeps it for a minute (TIME_WAIT, RFC 9293 section 3.6). */
  async function leaveBehind(count: number): Promise<void> {
    const server = createServer((socket) => socket.on('error', () => undefined).end())
    servers.push(server)
    server.listen(0, '127.0.0.1')
    await once(server, 'listening')
    const { port } = server.address() as AddressInfo
    let begun = 0
    const come = async (): Promise<void> => {
      while (begun < count) {
        begun += 1
        const client = connect({ port, host: '127.0.0.1', localAddress: `127.0.0.${2 + (begun % 200)}` })
        client.resume()
        await once(client, 'close')
      }
    }
    await Promise.all(Array.from({ length: 64 }, come))
  }

  it('finds a connection among thousands that are left over', async () => {
    const { connection } = await pair('127.0.0.1')
    await leaveBehind(6_000)
    expect(await queues.ask(connection)).toEqual({ kind: 'listed', state: 'ESTABLISHED', queued: 0 })
  })

  it('knows nothing of a connection that was reset', async () => {
    const { serving, client, connection } = await pair('127.0.0.1')
    const reset = once(serving, 'error')
    serving.resume()
    client.resetAndDestroy()
    await expect(reset).resolves.toMatchObject([{ code: 'ECONNRESET' }])
    expect(await queues.ask(connection)).toEqual({ kind: 'not listed' })
  })
})
