/**
 * Hardware addresses of clients from the system's neighbour table (ARP, RFC 826; IPv6 neighbour discovery,
 * RFC 4861). On Linux IPv4 is read in place from /proc/net/arp; everything else takes a tool of the system, which
 * is started at most once at a time. Nothing here throws: without table or tool the address is unknown.
 */
import { execFile } from 'node:child_process'
import { readFileSync } from 'node:fs'
import { grouped } from '../grouped.ts'
import { normalise, zoneOf } from './addresses.ts'
import {
  type Neighbour,
  parseArpTool,
  parseIpNeigh,
  parseNdpTool,
  parseNetshNeighbours,
  parseProcArp,
} from './neighbour-text.ts'

export type Neighbours = ReturnType<typeof createNeighbours>

interface NeighbourDeps {
  readonly platform: NodeJS.Platform
  /** Text of a file; may throw. */
  readonly read: (path: string) => string
  /** Standard output of a tool; may reject. */
  readonly run: (command: string, args: readonly string[]) => Promise<string>
  /** Milliseconds of a monotonic clock. */
  readonly now?: () => number
}

const MAX_AGE_MS = 2_000
/** A miss in /proc/net/arp is looked up anew when the last reading is older than this. */
const MISS_AGE_MS = 20
const TOOL_TIME_LIMIT_MS = 5_000
const TOOL_OUTPUT_LIMIT_BYTES = 16 * 1024 * 1024

interface Tool {
  readonly command: string
  readonly args: readonly string[]
  readonly parse: (text: string) => Neighbour[]
}

/** The tools of each system. Elsewhere (BSD) the macOS ones have the same shape (common practice). */
const TOOLS: Readonly<Partial<Record<NodeJS.Platform, readonly Tool[]>>> = {
  linux: [{ command: 'ip', args: ['-6', 'neigh', 'show'], parse: parseIpNeigh }],
  win32: [
    { command: 'arp', args: ['-a'], parse: parseArpTool },
    {
      command: 'netsh',
      args: ['interface', 'ipv6', 'show', 'neighbors'],
      parse: parseNetshNeighbours,
    },
  ],
}
const OTHER_TOOLS: readonly Tool[] = [
  { command: 'arp', args: ['-an'], parse: parseArpTool },
  { command: 'ndp', args: ['-an'], parse: parseNdpTool },
]

export function createNeighbours(deps: NeighbourDeps) {
  // Long: two tables and how old each is; every function keeps both in step.
  const now = deps.now ?? (() => performance.now())
  const tools = TOOLS[deps.platform] ?? OTHER_TOOLS
  const file = emptyTable()
  const tooled = emptyTable()
  let running: Promise<void> | undefined
  let following: Promise<void> | undefined

  function readFile(): void {
    file.readAt = now()
    file.byAddress = index(quietly(() => parseProcArp(deps.read('/proc/net/arp'))))
  }

  async function runTools(): Promise<void> {
    // The time of the start, not of the end: the answer may be as old as that.
    const begun = now()
    const lists = await Promise.all(tools.map(askTool))
    tooled.byAddress = index(lists.flat())
    tooled.readAt = begun
  }

  async function askTool({ command, args, parse }: Tool): Promise<Neighbour[]> {
    try {
      return parse(await deps.run(command, args))
    } catch {
      return []
    }
  }

  function start(): Promise<void> {
    running = runTools().finally(() => {
      running = undefined
    })
    return running
  }

  function refresh(): Promise<void> {
    if (running === undefined) return start()
    // The reading under way may be past the entry that the caller wants: one more follows, shared by all.
    following ??= running.then(() => {
      following = undefined
      return start()
    })
    return following
  }

  function refreshInBackground(): void {
    // runTools turns every failure into "unknown", so that there is nothing to catch.
    if (running === undefined) void start()
  }

  function lookupInFile(address: string, zone: string | undefined): string | undefined {
    const age = now() - file.readAt
    if (age > MAX_AGE_MS) readFile()
    const known = pick(file.byAddress.get(address), zone)
    if (known !== undefined || age <= MISS_AGE_MS || age > MAX_AGE_MS) return known
    readFile()
    return pick(file.byAddress.get(address), zone)
  }

  return {
    /**
     * Hardware address (`00:00:5e:00:53:01`) of a neighbour, from a table at most 2 s old, else undefined: an
     * address may move from one device to the next. A stale table is read anew in the background, so that asking
     * again a moment later (or after `refresh()`) may know more. Two interfaces that disagree: undefined, unless
     * the address carries a zone.
     */
    lookup(text: string): string | undefined {
      const address = normalise(text)
      if (address === undefined) return undefined
      const zone = zoneOf(text)
      if (deps.platform === 'linux' && !address.includes(':')) return lookupInFile(address, zone)
      if (now() - tooled.readAt > MAX_AGE_MS) {
        refreshInBackground()
        return undefined
      }
      return pick(tooled.byAddress.get(address), zone)
    },
    /** Reads the tables with the system's tools; resolves when a reading begun after this call has ended. */
    refresh,
  }
}

/** The neighbour table of the system this runs on. */
export function systemNeighbours(): Neighbours {
  return createNeighbours({
    platform: process.platform,
    read: (path) => readFileSync(path, 'latin1'),
    run: runTool,
  })
}

function runTool(command: string, args: readonly string[]): Promise<string> {
  const options = {
    encoding: 'latin1',
    timeout: TOOL_TIME_LIMIT_MS,
    maxBuffer: TOOL_OUTPUT_LIMIT_BYTES,
    windowsHide: true,
    env: { ...process.env, LC_ALL: 'C' },
  } as const
  return new Promise((resolve, reject) => {
    execFile(command, [...args], options, (error, stdout) =>
      error === null ? resolve(stdout) : reject(error),
    )
  })
}

function emptyTable() {
  return { byAddress: new Map(), readAt: Number.NEGATIVE_INFINITY }
}

function index(neighbours: readonly Neighbour[]): Map<string, Neighbour[]> {
  return grouped(neighbours, ({ address }) => address)
}

function pick(candidates: readonly Neighbour[] | undefined, zone: string | undefined): string | undefined {
  if (candidates === undefined) return undefined
  const matching = candidates.filter(({ device }) => zone === undefined || device === zone)
  const macs = new Set((matching.length > 0 ? matching : candidates).map(({ mac }) => mac))
  return macs.size === 1 ? [...macs][0] : undefined
}

function quietly(read: () => Neighbour[]): Neighbour[] {
  try {
    return read()
  } catch {
    return []
  }
}
