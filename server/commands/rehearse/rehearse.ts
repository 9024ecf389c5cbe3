/** `fetchproof rehearse`: every image through its own URLs, as a device would fetch it, compared with its digest. */
import { createInterface } from 'node:readline'
import type { Checked, Rehearser } from '../../depot/door.ts'
import { userName } from '../../depot/image-records.ts'
import { FetchproofError, usageError } from '../../errors.ts'
import { grouped } from '../../lists-by-key.ts'
import { normalise } from '../../network/addresses.ts'
import { createOwnAddresses } from '../../network/own-addresses.ts'
import { type Column, tableLines } from '../../report/table.ts'
import { createSettings } from '../../settings.ts'
import { bytesText } from '../../wording/units.ts'
import { shortened, visible } from '../../wording/visible.ts'
import { EXIT } from '../exit.ts'
import type { ReadingFlags } from '../options.ts'
import { columnsOf, createProgress, type HostProcess, printAnswer } from '../printing.ts'
import { type RunningServer, runningServer } from '../running-server.ts'
import { doorOf } from './doors.ts'
import { type Rehearsal, targetsOfList, targetsServed } from './rehearsal-targets.ts'

interface RehearseFlags extends ReadingFlags {
  readonly verbose?: boolean
  readonly by?: string
}

export async function rehearse(where: string, flags: RehearseFlags, around: HostProcess): Promise<number> {
  const base = baseUrlIn(where)
  const server = base === undefined ? await serverOf(where, flags.records) : undefined
  const isFromHere = base === undefined || isOwn(base)
  const rehearsers = createRehearsers(isFromHere ? undefined : await codeFor(base, around))
  try {
    const rehearsal =
      base === undefined
        ? await targetsServed(server as RunningServer)
        : await targetsOfList(base, await rehearsers.of(base))
    if (rehearsal.bases.length === 0) throw new FetchproofError('FP_NO_ADDRESS')
    const checked = await checkAll(rehearsal, rehearsers, around)
    const bases = byBase(checked)
    if (server !== undefined) await record(server, bases, flags.by ?? userName())
    const result = {
      bases: bases.map(({ images: _images, ...each }) => ({ ...each, differences: each.differences.length })),
      checks: bases.reduce((sum, { checks }) => sum + checks, 0),
      differences: [...rehearsal.differences, ...bases.flatMap(({ differences }) => differences)],
      notRehearsed: rehearsal.notRehearsed,
      /** The result stands in the ledger. */
      recorded: server !== undefined && checked.length > 0,
      notProven: isFromHere ? FROM_HERE : FROM_ELSEWHERE,
    }
    printAnswer(around, flags.format, result, () => [
      ...(flags.verbose === true ? [...tableLines(COLUMNS, checked, columnsOf(around.stdout)), ''] : []),
      ...bases.map(baseLine),
      ...result.differences.map(({ url, check, found }) => `  ${visible(url)}  ${check}: ${visible(found)}`),
      ...result.notRehearsed.map(({ name, why }) => `Not rehearsed: ${visible(name)} (${visible(why)})`),
      verdictOf(result.checks, result.differences.length, bases.length),
      ...(result.recorded ? ['The result is recorded in the ledger.'] : []),
      result.notProven,
    ])
    return result.checks > 0 && result.differences.length === 0 ? EXIT.done : EXIT.checkFailed
  } finally {
    await rehearsers.close()
  }
}

const FROM_HERE =
  'Not proven: that the firewall of this laptop lets other machines in, and that their network leads here. To see that, serve with --list and run "fetchproof rehearse http://ADDRESS:PORT" on another laptop in the network of the devices.'
const FROM_ELSEWHERE =
  'Not proven: that devices in other networks are let through, and that a device stores what it fetched. Nothing of this is recorded here.'

/** One for each door that is rehearsed. */
type Rehearsers = ReturnType<typeof createRehearsers>

function createRehearsers(code: string | undefined) {
  const made = new Map<string, Rehearser>()
  return {
    async of(url: string): Promise<Rehearser> {
      const door = doorOf(url)
      // The server is of a later version.
      if (door === undefined) throw usageError(`${url} cannot be rehearsed from here.`)
      const rehearser = made.get(door.name) ?? (await door.rehearser(code))
      made.set(door.name, rehearser)
      return rehearser
    },
    async close(): Promise<void> {
      for (const rehearser of made.values()) await rehearser.close()
    },
  }
}

/**
 * Typed, or from the environment, and never an argument, which everybody on the machine can read. Throws
 * FP_REHEARSAL_CODE where there is none.
 */
async function codeFor(base: string, { env, stdin, stderr }: HostProcess): Promise<string> {
  const known = env.FETCHPROOF_REHEARSAL_CODE?.trim()
  if (known) return known
  const lines = createInterface({ input: stdin, ...(stdin.isTTY && { output: stderr }) })
  if (stdin.isTTY) stderr.write(`Rehearsal code, as the start of the server at ${base} says it: `)
  try {
    for await (const line of lines) if (line.trim() !== '') return line.trim()
  } finally {
    lines.close()
  }
  throw new FetchproofError('FP_REHEARSAL_CODE', { base })
}

/** Throws FP_USAGE for an address of another kind. */
function baseUrlIn(where: string): string | undefined {
  if (!/^[a-z][a-z0-9+.-]*:\/\//i.test(where)) return undefined
  const url = URL.canParse(where) ? new URL(where) : undefined
  const isBase = url !== undefined && doorOf(where) !== undefined
  if (!isBase || url.search !== '' || url.hash !== '' || url.username !== '') {
    throw usageError(
      `${where} is not a base URL. Give one as "fetchproof serve" prints it, like http://192.0.2.10:8080/.`,
    )
  }
  return `${url.protocol}//${url.host}${url.pathname}`.replace(/\/+$/, '')
}

/** Throws FP_NOT_SERVED. */
async function serverOf(folder: string, records: string | undefined): Promise<RunningServer> {
  const settings = createSettings({ folder, records })
  const server = await runningServer(settings.records)
  if (server === undefined) throw new FetchproofError('FP_NOT_SERVED', { folder: settings.folder })
  return server
}

async function checkAll(
  { targets, bases }: Rehearsal,
  rehearsers: Rehearsers,
  around: HostProcess,
): Promise<readonly Checked[]> {
  const progress = createProgress(around.stderr)
  const total = targets.reduce((sum, { bytes }) => sum + (bytes ?? 1) + 1, 0)
  const tunnels = new Set(bases.flatMap(({ url, tunnel }) => (tunnel ? [url] : [])))
  const givenUp = new Set<string>()
  const checked: Checked[] = []
  let before = 0
  try {
    for (const target of targets) {
      if (givenUp.has(target.base)) continue
      let came = 0
      const one = await (await rehearsers.of(target.base)).check(target, (bytes) => {
        came += bytes
        const share = Math.min(came, target.bytes ?? 0)
        progress.show((before + share) / total, `rehearsing ${target.base}`)
      })
      before += (target.bytes ?? 1) + 1
      progress.show(before / total, `rehearsing ${target.base}`)
      const refusedTunnel = tunnels.has(target.base) && one.turnedAway
      if (one.unreachable || refusedTunnel) givenUp.add(target.base)
      const differences = refusedTunnel
        ? one.differences.map((each) => ({ ...each, found: `${each.found}: ${TUNNEL_REFUSED}` }))
        : one.differences
      checked.push({ ...one, differences })
    }
    return checked
  } finally {
    progress.end()
  }
}

const TUNNEL_REFUSED = 'it is the address of a tunnel; "serve --allow-tunnels" admits what comes over it'

/** Kept in one entry at most; a rehearsal that finds more has said enough. */
const MOST_RECORDED = 200
const MOST_CHARACTERS = 500

async function record(server: RunningServer, bases: readonly OfBase[], by: string): Promise<void> {
  for (const { base, checks, differences } of bases) {
    const kept = differences.slice(0, MOST_RECORDED).map(({ url, check, found }) => ({
      url: url.slice(0, MOST_CHARACTERS),
      check,
      found: found.slice(0, MOST_CHARACTERS),
    }))
    await server.ask('POST', '/api/rehearsed', { base, by, checks, differences: kept })
  }
}

type OfBase = ReturnType<typeof byBase>[number]

function byBase(checked: readonly Checked[]) {
  return [...grouped(checked, ({ target }) => target.base)].map(([base, own]) => ({
    base,
    images: new Set(own.map(({ target }) => target.name)).size,
    checks: own.reduce((sum, { checks }) => sum + checks, 0),
    differences: own.flatMap(({ differences }) => differences),
  }))
}

function isOwn(base: string): boolean {
  const host = normalise(new URL(base).hostname.replace(/^\[|\]$/g, ''))
  return host !== undefined && createOwnAddresses()().some(({ address }) => address === host)
}

/** `http://192.0.2.10:8080  6 images, 48 checks: identical`. */
function baseLine({ base, images, checks, differences }: OfBase): string {
  const outcome = differences.length === 0 ? 'identical' : `${differences.length} DIFFER`
  return `${base}  ${images === 1 ? '1 image' : `${images} images`}, ${checks} checks: ${outcome}`
}

function verdictOf(checks: number, differences: number, bases: number): string {
  if (checks === 0) return 'There is no image to rehearse.'
  const where = bases === 1 ? 'one address' : `${bases} addresses`
  return differences === 0
    ? `${checks} checks at ${where}: every image is identical to the file in the staging folder.`
    : `${differences} of ${checks} checks at ${where} differ.`
}

const COLUMNS: readonly Column<Checked>[] = [
  {
    title: 'Result',
    head: true,
    cell: ({ differences }) =>
      differences.length === 0 ? 'identical' : `DIFFERS: ${differences.map(({ check }) => check).join(', ')}`,
  },
  { title: 'Image', head: true, name: true, cell: ({ target }) => shortened(target.name, 40) },
  { title: 'Path', name: true, cell: ({ target }) => target.path },
  { title: 'Bytes', align: 'right', cell: ({ target, bytes }) => bytesText(target.bytes ?? bytes) },
  { title: 'Address', cell: ({ target }) => target.base },
]
