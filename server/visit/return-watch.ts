/**
 * Watching a device come back (`--watch-return`): after it has pulled, TCP connects to one of its ports show when
 * it went dark and when it answered again. Only addresses that have pulled are ever connected to.
 *
 *   first look:  open ──> dark when not open, back when open again
 *                refused ─> dark when nothing answers, back when anything does (a refusal needs a running system)
 *                silent ──> it may have gone dark already, or the port is filtered: back when anything answers
 */
import { createConnection } from 'node:net'
import { systemCode } from '../errors.ts'

export type Probe = 'open' | 'refused' | 'silent'

export interface ReturnWatchOptions {
  readonly port: number
  readonly everyMs: number
  /** Still dark after this long is told once. */
  readonly notBackMs: number
  readonly onDark: (device: Watched) => void
  readonly onBack: (device: Watched, darkMs: number) => void
  /** `seenBefore`: it did answer before; without that the port may just be closed to us. */
  readonly onOverdue: (device: Watched, darkMs: number, seenBefore: boolean) => void
  readonly probe?: (address: string, port: number) => Promise<Probe>
  /** Monotonic, ms. */
  readonly clock?: () => number
}

interface Watched {
  readonly address: string
  /** Name on the sheet, else the address. */
  readonly device: string
}

/** A device that has not gone dark by then is not restarted on this visit. */
const GIVE_UP_MS = 4 * 60 * 60_000
/** One lost packet is no restart. */
const MISSES_FOR_DARK = 2
const CONNECT_LIMIT_MS = 3_000

interface State extends Watched {
  readonly since: number
  first: Probe | undefined
  misses: number
  darkSince: number | undefined
  overdue: boolean
}

export function createReturnWatch(options: ReturnWatchOptions) {
  // Long: one state machine a device, drawn above, a function for each sign.
  const { port, everyMs, notBackMs, probe = probeByConnecting } = options
  const clock = options.clock ?? ((): number => performance.now())
  const states = new Map<string, State>()
  let timer: NodeJS.Timeout | undefined

  function take(state: State, seen: Probe): void {
    const now = clock()
    state.first ??= seen
    const answers = state.first === 'open' ? seen === 'open' : seen !== 'silent'
    if (answers) answered(state, now)
    else silent(state, now)
  }

  function silent(state: State, now: number): void {
    state.misses += 1
    state.darkSince ??= now
    if (state.misses === MISSES_FOR_DARK && state.first !== 'silent') options.onDark(state)
    if (!state.overdue && now - state.darkSince >= notBackMs) {
      state.overdue = true
      options.onOverdue(state, now - state.darkSince, state.first !== 'silent')
    }
    if (state.first === 'silent' && now - state.since > GIVE_UP_MS) states.delete(state.address)
  }

  function answered(state: State, now: number): void {
    const { darkSince, misses, first } = state
    if (darkSince !== undefined && (misses >= MISSES_FOR_DARK || first === 'silent')) {
      states.delete(state.address)
      options.onBack(state, now - darkSince)
      return
    }
    state.misses = 0
    state.darkSince = undefined
    if (now - state.since > GIVE_UP_MS) states.delete(state.address)
  }

  async function look(): Promise<void> {
    await Promise.all(
      [...states.values()].map(async (state) => {
        const seen = await probe(state.address, port)
        if (states.get(state.address) === state) take(state, seen)
      }),
    )
  }

  function schedule(): void {
    if (timer !== undefined || states.size === 0) return
    timer = setTimeout(() => {
      void look().finally(() => {
        timer = undefined
        schedule()
      })
    }, everyMs)
    timer.unref()
  }

  return {
    /** The device has pulled: watched from now on, anew when it was already. */
    pulled({ address, device }: Watched): void {
      states.set(address, {
        address,
        device,
        since: clock(),
        first: undefined,
        misses: 0,
        darkSince: undefined,
        overdue: false,
      })
      schedule()
    },
    /** Looks at all watched devices now; resolves when all have been seen. Called by its own clock otherwise. */
    look,
    close(): void {
      clearTimeout(timer)
      timer = undefined
      states.clear()
    },
  }
}

/** One connect, closed at once; no byte is sent. */
export function probeByConnecting(address: string, port: number): Promise<Probe> {
  return new Promise((seen) => {
    const socket = createConnection({ host: address, port })
    const end = (probe: Probe): void => {
      socket.destroy()
      seen(probe)
    }
    socket.setTimeout(CONNECT_LIMIT_MS, () => end('silent'))
    socket.once('connect', () => end('open'))
    socket.once('error', (error) => end(ANSWERS.has(systemCode(error) ?? '') ? 'refused' : 'silent'))
  })
}

/** A reset is the device's own answer; everything else came from this machine or from a router. */
const ANSWERS: ReadonlySet<string> = new Set(['ECONNREFUSED', 'ECONNRESET'])
