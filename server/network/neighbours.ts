/**
 * Hardware addresses of clients from the system's neighbour table (ARP, RFC 826; IPv6 neighbour discovery,
 * RFC 4861). On Linux IPv4 is read in place from /proc/net/arp; everything else takes a tool of the system, which
 * is started at most once at a time. Nothing here throws: without table or tool the address is unknown.
 */
import { execFile } from 'node:child_process'
import { readFileSync } from 'node:fs'
import { promisify } from 'node:util'
import { grouped } from '../lists-by-key.ts'
import { addressFor, normalise, type OwnAddress, zoneOf } from './addresses.ts'
import { LINE, type Neighbour, readNeighbours } from './neighbour-text.ts'

type Neighbours = ReturnType<typeof createNeighbours>

interface NeighbourDeps {
  readonly platform?: NodeJS.Platform
  /** Text of a file; may throw. */
  readonly read?: (path: string) => string
  /** Standard output of a tool; may reject. */
  readonly run?: (command: string, args: readonly string[]) => Promise<string>
  /** Milliseconds of a monotonic clock. */
  readonly now?: () => number
}

const MAX_AGE_MS = 2_000
/** A miss in /proc/net/arp is looked up anew when the last reading is older than this. */
const MISS_AGE_MS = 20
const TOOL = { encoding: 'latin1', timeout: 5_000, maxBuffer: 16 * 1024 * 1024, windowsHide: true } as const

interface Tool {
  readonly command: string
  readonly args: readonly string[]
  readonly line: RegExp
}

/** The tools of each system. Elsewhere (BSD) the macOS ones have the same shape (common practice). */
const TOOLS: Readonly<Partial<Record<NodeJS.Platform, readonly Tool[]>>> = {
  linux: [{ command: 'ip', args: ['-6', 'neigh', 'show'], line: LINE.ipNeigh }],
  win32: [
    { command: 'arp', args: ['-a'], line: LINE.arp },
    { command: 'netsh', args: ['interface', 'ipv6', 'show', 'neighbors'], line: LINE.arp },
  ],
}
const OTHER_TOOLS: readonly Tool[] = [
  { command: 'arp', args: ['-an'], line: LINE.arp },
  { command: 'ndp', args: ['-an'], line: LINE.ndp },
]

/** The neighbour table of the system this runs on, where nothing else is given. */
export function createNeighbours({
  platform = process.platform,
  read = (path) => readFileSync(path, 'latin1'),
  run = runTool,
  now = () => performance.now(),
}: NeighbourDeps = {}) {
  // Long: two tables and how old each is; every function keeps both in step.
  const tools = TOOLS[platform] ?? OTHER_TOOLS
  const file = emptyTable()
  const tooled = emptyTable()
  let running: Promise<void> | undefined
  let following: Promise<void> | undefined

  function readFile(): void {
    file.readAt = now()
    try {
      file.byAddress = byAddress(readNeighbours(read('/proc/net/arp'), LINE.procArp))
    } catch {
      file.byAddress.clear()
    }
  }

  async function runTools(): Promise<void> {
    // The time of the start, not of the end: the answer may be as old as that.
    const begun = now()
    const lists = await Promise.all(
      tools.map(({ command, args, line }) =>
        run(command, args).then(
          (text) => readNeighbours(text, line),
          () => [],
        ),
      ),
    )
    tooled.byAddress = byAddress(lists.flat())
    tooled.readAt = begun
  }

  function start(): Promise<void> {
    running ??= runTools().finally(() => {
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

  function lookupInFile(address: string, zone: string | undefined): string | undefined {
    const age = now() - file.readAt
    const known = age > MAX_AGE_MS ? undefined : macIn(file, address, zone)
    if (known !== undefined || age <= MISS_AGE_MS) return known
    readFile()
    return macIn(file, address, zone)
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
      if (platform === 'linux' && !address.includes(':')) return lookupInFile(address, zoneOf(text))
      if (now() - tooled.readAt <= MAX_AGE_MS) return macIn(tooled, address, zoneOf(text))
      void start()
      return undefined
    },
    /** Reads the tables with the system's tools; resolves when a reading begun after this call has ended. */
    refresh,
  }
}

/**
 * Returns what to call for an address that came without its hardware address: the table may know a new neighbour only
 * after its first packets. `onLearnt` is told where it is another than the entries say (`known`): devices come to one
 * network address one after another, and each tells its own.
 */
export function createNeighbourLearning(deps: {
  readonly neighbours: Neighbours
  readonly own: () => readonly OwnAddress[]
  readonly known: (address: string) => string | null
  readonly onLearnt: (address: string, mac: string) => void
}): (address: string) => void {
  const { neighbours, own, known, onLearnt } = deps
  return (address) => {
    // Behind a router there is no neighbour to learn of, and on loopback none at all.
    if (addressFor(address, own())?.loopback !== false) return
    if (own().some((mine) => mine.address === address)) return
    void neighbours.refresh().then(() => {
      const mac = neighbours.lookup(address)
      if (mac !== undefined && mac !== known(address)) onLearnt(address, mac)
    })
  }
}

async function runTool(command: string, args: readonly string[]): Promise<string> {
  const options = { ...TOOL, env: { ...process.env, LC_ALL: 'C' } }
  return (await promisify(execFile)(command, args, options)).stdout
}

interface Table {
  byAddress: Map<string, Neighbour[]>
  readAt: number
}

function emptyTable(): Table {
  return { byAddress: new Map(), readAt: Number.NEGATIVE_INFINITY }
}

function byAddress(neighbours: readonly Neighbour[]): Table['byAddress'] {
  return grouped(neighbours, ({ address }) => address)
}

function macIn(table: Table, address: string, zone: string | undefined): string | undefined {
  const candidates = table.byAddress.get(address) ?? []
  const matching = candidates.filter(({ device }) => zone === undefined || device === zone)
  const macs = new Set((matching.length > 0 ? matching : candidates).map(({ mac }) => mac))
  return macs.size === 1 ? [...macs][0] : undefined
}
