/**
 * One truth run: a seeded fleet of devices against the built program over real sockets, with files that change and
 * a server that is killed, and afterwards the ledger held against what the devices know of themselves.
 */
import { type ChildProcess, spawn } from 'node:child_process'
import { mkdtempSync, realpathSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { monitorEventLoopDelay } from 'node:perf_hooks'
import { fileURLToPath } from 'node:url'
import { freePort } from '../clients/served.ts'
import { audit, inProcess } from '../commands/in-process.ts'
import { faketimeLibrary } from '../needs.ts'
import { type Comparison, compare } from './comparison.ts'
import type { DeviceConnection } from './connection.ts'
import type { Device } from './device.ts'
import { createFleet, type Member, sheetOf } from './fleet.ts'
import { type Images, stageImages } from './images.ts'
import { type Retold, retellWithHardware } from './late-hardware.ts'
import { liveAgainstReplay, planOnRecord } from './live.ts'
import { createPerson, type Person } from './person.ts'
import { createRandom, type Random } from './random.ts'
import { type ServedProgram, serveProgram } from './served-program.ts'
import type { Site } from './site.ts'
import { compareStandings, type StandingsComparison } from './standings.ts'
import { tableOf } from './table.ts'

export interface TruthRun {
  readonly devices: number
  readonly seed: number
  /** Devices that act at the same time. */
  readonly atOnce?: number
  readonly kills?: number
  /** Goes on beside: one of those of scripts/attack/attacker.mjs. */
  readonly attack?: string
  /** How many times it is told once more with hardware addresses; once, if not said. */
  readonly retell?: number
}

export interface TruthReport extends Comparison {
  readonly lines: readonly string[]
  /** Repeats this run. */
  readonly repeat: string
  readonly standings: StandingsComparison
}

const LEFT_BEHIND_AT_MOST = 60
/** A file is replaced, cut or touched once in so many devices. */
const DEVICES_A_CHANGE = 12
/** A person does something once in so many devices; each takes a program of its own. */
const DEVICES_AN_ACT = 7
const ACTS_AT_MOST = 100

export async function runTruth(run: TruthRun): Promise<TruthReport> {
  const { devices: count, seed, atOnce = 32 } = run
  const begun = performance.now()
  const random = createRandom(`${seed}`)
  const folder = realpathSync(mkdtempSync(join(tmpdir(), 'fetchproof-truth-')))
  const images = stageImages(folder, seed)
  const clock = clockFor(folder)
  const leftBehind: Pick<DeviceConnection, 'close'>[] = []
  let program: ServedProgram | undefined
  let attacker: ChildProcess | undefined
  try {
    const port = await freePort()
    const site = siteOf(port, () => program, images, leftBehind)
    const groups = createFleet(site, count, seed, random)
    const devices = groups.flat().map(({ device }) => device)
    writeFileSync(join(folder, 'visit.csv'), sheetOf(devices))
    program = await serveProgram(folder, port, clock?.env)
    const person = createPerson({
      folder,
      images,
      random: createRandom(`${seed} person`),
      setClock: clock?.set,
    })
    const kills = run.kills ?? Math.min(6, Math.ceil(count / 150))
    attacker = run.attack === undefined ? undefined : startAttack(run.attack, port)
    const stalls = monitorEventLoopDelay()
    stalls.enable()
    await act({ groups, site, program, images, person, random, atOnce, count, kills })
    stalls.disable()
    attacker?.kill('SIGKILL')
    for (const connection of leftBehind) connection.close()
    await person.endOfVisit()
    const live = await liveAgainstReplay(folder)
    const status = await program.stop()
    const record = await audit(folder)
    const plan = await planOnRecord(folder)
    const { fetches } = record
    const standings = compareStandings({ devices, images, held: person.held, plan, fetches })
    const compared = compare({ devices, images, audit: record, lastLife: program.life() })
    const { held } = person
    const lastLife = program.life()
    const retelling = { folder, devices, images, held, lastLife, standings }
    const retold: Retold[] = []
    for (let time = 0; time < (run.retell ?? 1); time += 1) {
      const random = createRandom(`${seed} retold ${time}`)
      retold.push(await retellWithHardware({ ...retelling, random }))
    }
    const ended = await endFaults(folder, status, program.words())
    const faults = [
      ...compared.faults,
      ...standings.faults,
      ...person.faults,
      ...live,
      ...retold.flatMap(({ faults }) => faults),
      ...ended,
    ]
    const seconds = ((performance.now() - begun) / 1000).toFixed(1)
    const stallMs = Math.round(stalls.max / 1e6)
    const circumstances = [
      `${program.life()} kills; ${seconds} s; the devices stood still for ${stallMs} ms at most`,
      ...retold.map(({ words }) => words),
      `a person did: ${[...person.did].map(([what, times]) => `${what} ${times}`).join(', ')}`,
    ]
    const beside = run.attack === undefined ? '' : ` --attack '${run.attack}'`
    const repeat = `npm run truth -- --devices ${count} --seed ${seed}${beside}`
    return {
      ...compared,
      faults,
      repeat,
      standings,
      lines: wordsOf({ ...compared, faults }, standings, circumstances, repeat),
    }
  } finally {
    attacker?.kill('SIGKILL')
    await program?.destroy()
    rmSync(folder, { recursive: true, force: true, maxRetries: 3 })
    if (clock !== undefined) rmSync(clock.file)
  }
}

function startAttack(kind: string, port: number): ChildProcess {
  const script = fileURLToPath(new URL('../../scripts/attack/attacker.mjs', import.meta.url))
  const args = [script, kind, String(port), '/image-6.bin', String(1024 * 1024)]
  return spawn(process.execPath, args, { stdio: 'ignore' })
}

/** The laptop's clock as this program sees it, where libfaketime is there; the clock that only goes forward stays. */
function clockFor(folder: string) {
  const library = faketimeLibrary()
  if (library === undefined) return undefined
  const file = `${folder}.clock`
  const set = (seconds: number): void => writeFileSync(file, `${seconds < 0 ? '' : '+'}${seconds}s\n`)
  set(0)
  const env = {
    LD_PRELOAD: library,
    FAKETIME_TIMESTAMP_FILE: file,
    FAKETIME_CACHE_DURATION: '1',
    FAKETIME_DONT_FAKE_MONOTONIC: '1',
    NO_FAKE_STAT: '1',
  }
  return { file, set, env }
}

function siteOf(
  port: number,
  program: () => ServedProgram | undefined,
  images: Images,
  leftBehind: Pick<DeviceConnection, 'close'>[],
): Site {
  return {
    port,
    tftpPort: port,
    images,
    life: () => program()?.life() ?? 0,
    up: async () => program()?.up(),
    leaveBehind(connection) {
      leftBehind.push(connection)
      if (leftBehind.length > LEFT_BEHIND_AT_MOST) leftBehind.shift()?.close()
    },
  }
}

interface Acting {
  readonly groups: readonly Member[][]
  readonly site: Site
  readonly program: ServedProgram
  readonly images: Images
  readonly person: Person
  readonly random: Random
  readonly atOnce: number
  readonly count: number
  readonly kills: number
}

async function act(acting: Acting): Promise<void> {
  const { groups, site, program, images, person, random, atOnce, count, kills } = acting
  const waiting = [...groups]
  const killAt = Array.from({ length: kills }, (_none, at) => Math.round(((at + 1) * count) / (kills + 1)))
  let done = 0
  let changed = 0
  /** The server is killed, and a person does something, one after the other. */
  let busy: Promise<void> = Promise.resolve()
  let acts = 0
  const gone: Device[] = []
  const devicesAnAct = Math.max(DEVICES_AN_ACT, count / ACTS_AT_MOST)

  function meanwhile(): void {
    if (done >= (killAt[0] ?? Number.POSITIVE_INFINITY)) {
      killAt.shift()
      busy = busy.then(() => program.killAndRestart())
    }
    if (done / DEVICES_A_CHANGE > changed + 1) {
      changed += 1
      changeSomething(images, random)
    }
    if (done / devicesAnAct > acts + 1) {
      acts += 1
      busy = busy.then(() => person.act(gone))
    }
  }

  async function next(): Promise<void> {
    for (let group = waiting.shift(); group !== undefined; group = waiting.shift()) {
      await Promise.all(group.map(({ device, behaviour }) => behaviour.act(device, site)))
      done += group.length
      gone.push(...group.map(({ device }) => device))
      meanwhile()
    }
  }

  await Promise.all(Array.from({ length: atOnce }, next))
  await busy
}

/** Some images stay as they are for the whole visit, so that at its end many devices hold what is on offer. */
function changeSomething(images: Images, random: Random): void {
  const { name, changes } = images.list[random.whole(0, images.list.length - 1)] ?? {
    name: '',
    changes: false,
  }
  const change = random.pick(['replace', 'replace', 'cut', 'touch'] as const)
  images[changes ? change : 'touch'](name, random)
}

async function endFaults(folder: string, status: number | null, words: string): Promise<string[]> {
  const faults: string[] = []
  if (status !== 0) faults.push(`the server ended with ${status}`)
  const check = await inProcess(['audit', folder, '--check'])
  if (check.status !== 0) faults.push(`the chain is not intact: ${check.stdout}${check.stderr}`)
  const unexpected = words
    .split('\n')
    .filter((line) => line !== '' && !EXPECTED.some((words) => words.test(line)))
  if (unexpected.length > 0) faults.push(`the server's own log: ${unexpected.join('\n').slice(0, 500)}`)
  return faults
}

/** Images are changed while they are pulled, devices share addresses and take images that are not planned for them. */
const EXPECTED = [
  /changed while it was being served; it is being read again\.$/,
  /^visit\.csv: .*is already in row/,
  /^visit\.csv: and \d+ more; /,
  /^visit\.csv: \d+ more problems are not shown/,
  /^WRONG IMAGE: /,
  /^Rehearsal code, /,
]

const FAULTS_SHOWN = 25

function wordsOf(
  compared: Comparison,
  standings: StandingsComparison,
  circumstances: readonly string[],
  repeat: string,
): string[] {
  const { faults, devices, due, dueComplete, missed, takenBySystemOnly } = compared
  return [
    ...tableOf(devices),
    `${dueComplete} of ${due} devices that hold all, closed in order, shared no address and met no kill are complete`,
    '',
    ...standings.table,
    `${standings.dueDone} of ${standings.due} devices that hold the version last on offer, seen in order, stand as done`,
    '',
    ...circumstances,
    `${takenBySystemOnly} fetches delivered to a device's system that closed in order while its program read only a part`,
    ...missed.slice(0, FAULTS_SHOWN).map((each) => `not complete: ${each}`),
    ...standings.missed.slice(0, FAULTS_SHOWN).map((each) => `not done: ${each}`),
    ...faults.slice(0, FAULTS_SHOWN).map((fault) => `FAULT  ${fault}`),
    ...(faults.length > FAULTS_SHOWN ? [`… and ${faults.length - FAULTS_SHOWN} more`] : []),
    `${faults.length === 0 ? 'passed' : 'FAILED'}; to repeat: ${repeat}`,
  ]
}
