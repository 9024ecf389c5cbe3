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
import { type Endpoints, endpointsOf, keysOf } from './connection-keys.ts'
import {
  type Looked,
  lookAtTables,
  readTable,
  type SendQueue,
  TABLES,
  type Wanted,
} from './connection-table.ts'

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
  readonly look?: (wanted: Wanted) => Promise<Looked>
  readonly lookNow?: (wanted: Wanted) => Looked
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
    const own = endpointsOf(serving)
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
  const { platform = process.platform, look = lookInThread, lookNow = lookAtShortTables } = options
  if (platform !== 'linux') return notShown('this system does not show send queues')

  let waiting: Question[] = []
  let busy = false
  /** A long table is not read without pause: at most half of the time goes into it. */
  let notBefore = 0
  let secondBegan = 0
  let lookingMs = 0

  async function answerAll(questions: readonly Question[]): Promise<void> {
    const begun = performance.now()
    const { found, failure } = await look(questions.map(({ keys }) => keys)).catch(
      (error: unknown): Looked => ({
        found: new Map(),
        failure: `${TABLES[0]} could not be read (${messageOf(error)})`,
      }),
    )
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
      Math.max(GATHER_MS, notBefore - performance.now()),
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

function lookAtShortTables(wanted: Wanted): Looked {
  return lookAtTables(wanted, (path) => readTable(path, SHORT_TABLE_BYTES))
}

interface Question {
  readonly keys: readonly string[]
  readonly resolve: (answer: SendQueueAnswer) => void
}

/** A few pieces of 4 KiB at a time are looked at; without a limit garbage of 30 MB and more stands about. */
const HEAP = { maxYoungGenerationSizeMb: 2, maxOldGenerationSizeMb: 32 }

/** One thread for the whole program, started with the first question, and anew when it broke. It keeps nothing alive. */
const lookInThread = createTableThread()

function createTableThread(): (wanted: Wanted) => Promise<Looked> {
  /** It answers in their order. */
  const asked: { resolve(looked: Looked): void; reject(error: unknown): void }[] = []
  let thread: Worker | undefined

  function start(): Worker {
    const script = builtScript(new URL('./connection-table-thread.js', import.meta.url))
    const fresh = new Worker(script, { resourceLimits: HEAP })
    const broke = (error: unknown): void => {
      if (thread !== fresh) return
      thread = undefined
      for (const { reject } of asked.splice(0)) reject(error)
    }
    fresh.on('message', (looked: Looked) => {
      if (thread === fresh) asked.shift()?.resolve(looked)
      if (asked.length === 0) fresh.unref()
    })
    fresh.on('error', broke)
    fresh.on('exit', () => broke(new Error('its thread ended')))
    return fresh
  }

  return (wanted) =>
    new Promise((resolve, reject) => {
      thread ??= start()
      thread.ref()
      asked.push({ resolve, reject })
      thread.postMessage(wanted)
    })
}
