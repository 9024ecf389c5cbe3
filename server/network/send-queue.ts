/**
 * How many bytes of a connection the peer's system has not yet acknowledged, out of the kernel's tables (see
 * connection-table.ts), looked at by a thread of their own.
 *
 * A table that changes while it is read may skip an entry. An absent entry therefore says nothing: it may have been
 * skipped, reset, or closed in order.
 */
import { once } from 'node:events'
import { type AddressInfo, connect, createServer, type Socket } from 'node:net'
import { Worker } from 'node:worker_threads'
import { messageOf, systemCode } from '../errors.ts'
import { builtScript } from '../files/built-script.ts'
import { type Endpoints, keysOf } from './connection-keys.ts'
import { type Looked, lookAtTables, readTable, type SendQueue, TABLES } from './connection-table.ts'
import type { LookAnswer, LookTask } from './connection-table-thread.ts'

export type SendQueueAnswer =
  | ({ readonly kind: 'listed' } & SendQueue)
  /** The table was read, and the connection is not in it. */
  | { readonly kind: 'not listed' }
  /** There is no table, or it could not be read: that says nothing of the connection. */
  | { readonly kind: 'unreadable'; readonly why: string }

export interface SendQueues {
  /** False where the system shows no such table: every answer is then `unreadable`. */
  readonly supported: boolean
  /** Why it is not shown on a system that has it. */
  readonly whyNot?: string
  /** The state of a connection at some moment after this call. Never rejects. */
  ask(connection: Endpoints): Promise<SendQueueAnswer>
  /**
   * Where it stands at this moment, if it is among the first of the table; undefined too once such looks, a millisecond
   * or two each, have taken their share of this second.
   */
  askNow(connection: Endpoints): SendQueue | undefined
}

/** For looks that keep all else waiting. (Thousands of fetches that ended together took a fifth of all time with them.) */
const NOW_MS_A_SECOND = 50
/** Questions that come within this time share one look. */
const GATHER_MS = 3

export interface SendQueuesOptions {
  readonly platform?: NodeJS.Platform
  /** Looks for connections by their texts in the tables. */
  readonly look?: (connections: readonly (readonly string[])[]) => Promise<Looked>
  readonly lookNow?: (connections: readonly (readonly string[])[]) => Looked
  readonly gatherMs?: number
}

/** A table may skip an entry while it changes. */
const LOOKS_AT_OWN = 5

/**
 * Shown only where a connection of this program's own is found in the table: in some sandboxes it is empty, or cannot
 * be read, and every good pull would look like one whose connection was reset.
 */
export async function openSendQueues(options: SendQueuesOptions = {}): Promise<SendQueues> {
  const queues = createSendQueues(options)
  if (!queues.supported) return queues
  const whyNot = await whyOwnIsNotListed(queues)
  return whyNot === undefined ? queues : { ...notShown(whyNot), whyNot }
}

async function whyOwnIsNotListed(queues: SendQueues): Promise<string | undefined> {
  const server = createServer().listen(0, '127.0.0.1')
  const sockets: Socket[] = []
  try {
    await once(server, 'listening')
    const { port } = server.address() as AddressInfo
    const client = connect(port, '127.0.0.1')
    sockets.push(client)
    const [[serving]] = (await Promise.all([once(server, 'connection'), once(client, 'connect')])) as [
      [Socket],
      unknown,
    ]
    sockets.push(serving)
    const own = {
      localAddress: '127.0.0.1',
      localPort: port,
      remoteAddress: '127.0.0.1',
      remotePort: client.localPort ?? 0,
    }
    let answer = await queues.ask(own)
    for (let look = 1; look < LOOKS_AT_OWN && answer.kind !== 'listed'; look += 1)
      answer = await queues.ask(own)
    if (answer.kind === 'listed') return undefined
    return answer.kind === 'unreadable' ? answer.why : `${TABLES[0]} does not list a connection that is open`
  } catch (error) {
    return `it could not be tried out over loopback (${systemCode(error) ?? String(error)})`
  } finally {
    for (const socket of sockets) socket.destroy()
    server.close()
  }
}

function notShown(why: string): SendQueues {
  return {
    supported: false,
    ask: () => Promise.resolve({ kind: 'unreadable', why }),
    askNow: () => undefined,
  }
}

/** Gathers the questions of a few milliseconds into one look at the tables. */
export function createSendQueues(options: SendQueuesOptions = {}): SendQueues {
  // Long: one queue of questions and the look that answers them; each function moves questions on.
  const { platform = process.platform, gatherMs = GATHER_MS } = options
  if (platform !== 'linux') return notShown('this system does not show send queues')
  const { look = lookInThread, lookNow = lookAtShortTables } = options

  let waiting: Question[] = []
  let busy = false
  /** A long table is not read without pause: at most half of the time goes into it. */
  let notBefore = 0
  let secondBegan = 0
  let lookingMs = 0

  async function answerAll(questions: readonly Question[]): Promise<void> {
    const begun = performance.now()
    const { found, failure } = await look(questions.map(({ keys }) => keys)).catch(unread)
    const now = performance.now()
    notBefore = now + (now - begun)
    for (const { keys, resolve } of questions) {
      const answer = keys.map((key) => found.get(key)).find((one) => one !== undefined)
      if (answer !== undefined) resolve({ kind: 'listed', ...answer })
      else resolve(failure === undefined ? { kind: 'not listed' } : { kind: 'unreadable', why: failure })
    }
    busy = false
    schedule()
  }

  function schedule(): void {
    if (busy || waiting.length === 0) return
    busy = true
    setTimeout(
      () => {
        const questions = waiting
        waiting = []
        void answerAll(questions)
      },
      Math.max(gatherMs, notBefore - performance.now()),
    )
  }

  return {
    supported: true,
    ask(connection) {
      const keys = keysOf(connection)
      if (keys.length === 0) return Promise.resolve({ kind: 'unreadable', why: 'not an address' })
      return new Promise((resolve) => {
        waiting.push({ keys, resolve })
        schedule()
      })
    },
    askNow(connection) {
      const begun = performance.now()
      if (begun - secondBegan >= 1_000) {
        secondBegan = begun
        lookingMs = 0
      }
      if (lookingMs > NOW_MS_A_SECOND) return undefined
      const [found] = lookNow([keysOf(connection)]).found.values()
      lookingMs += performance.now() - begun
      return found
    },
  }
}

/** Some four hundred connections. */
const SHORT_TABLE_BYTES = 64 * 1024

function lookAtShortTables(connections: readonly (readonly string[])[]): Looked {
  return lookAtTables(connections, (path) => readTable(path, SHORT_TABLE_BYTES))
}

interface Question {
  readonly keys: readonly string[]
  readonly resolve: (answer: SendQueueAnswer) => void
}

function unread(error: unknown): Looked {
  const why = messageOf(error)
  return { found: new Map(), failure: `${TABLES[0]} could not be read (${why})` }
}

/** A few pieces of 4 KiB at a time are looked at; without a limit garbage of 30 MB and more stands about. */
const HEAP = { maxYoungGenerationSizeMb: 2, maxOldGenerationSizeMb: 32 }

/** Started with the first question, and anew when it broke. It never keeps the program alive. */
function createTableThread(): NonNullable<SendQueuesOptions['look']> {
  const asked = new Map<number, { resolve(looked: Looked): void; reject(error: unknown): void }>()
  let thread: Worker | undefined
  let lastId = 0

  function start(): Worker {
    const script = builtScript(new URL('./connection-table-thread.js', import.meta.url))
    const fresh = new Worker(script, { resourceLimits: HEAP })
    const broke = (error: unknown): void => {
      if (thread !== fresh) return
      thread = undefined
      for (const { reject } of asked.values()) reject(error)
      asked.clear()
    }
    fresh.on('message', ({ id, ...looked }: LookAnswer) => {
      asked.get(id)?.resolve(looked)
      asked.delete(id)
      if (asked.size === 0) fresh.unref()
    })
    fresh.on('error', broke)
    fresh.on('exit', () => broke(new Error('its thread ended')))
    return fresh
  }

  return (connections) =>
    new Promise((resolve, reject) => {
      thread ??= start()
      thread.ref()
      lastId += 1
      asked.set(lastId, { resolve, reject })
      thread.postMessage({ id: lastId, connections } satisfies LookTask)
    })
}

/** One thread for the whole program. */
const lookInThread = createTableThread()
