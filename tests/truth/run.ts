/**
 * One truth run: a seeded fleet of devices against the built program over real sockets, with files that change and
 * a server that is killed, and afterwards the ledger held against what the devices know of themselves.
 */
import { mkdtempSync, realpathSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { monitorEventLoopDelay } from 'node:perf_hooks'
import { audit, fetchproof } from '../clients/program.ts'
import { freePort } from '../clients/served.ts'
import { BEHAVIOURS, type Behaviour, SHARED_BEHAVIOURS } from './behaviours.ts'
import { type Comparison, compare } from './comparison.ts'
import type { DeviceConnection } from './connection.ts'
import { createDevice, type Device } from './device.ts'
import { type Images, stageImages } from './images.ts'
import { createRandom, type Random } from './random.ts'
import { type ServedProgram, serveProgram } from './served-program.ts'
import type { Site } from './site.ts'
import { tableOf } from './table.ts'

export interface TruthRun {
  readonly devices: number
  readonly seed: number
  /** Devices that act at the same time. */
  readonly atOnce?: number
  readonly kills?: number
}

export interface TruthReport extends Comparison {
  readonly lines: readonly string[]
  /** Repeats this run. */
  readonly repeat: string
}

interface Member {
  readonly device: Device
  readonly behaviour: Behaviour
}

const LEFT_BEHIND_AT_MOST = 60
/** A file is replaced, cut or touched once in so many devices. */
const DEVICES_A_CHANGE = 12

export async function runTruth(run: TruthRun): Promise<TruthReport> {
  const { devices: count, seed, atOnce = 32 } = run
  const begun = performance.now()
  const random = createRandom(`${seed}`)
  const folder = realpathSync(mkdtempSync(join(tmpdir(), 'fetchproof-truth-')))
  const images = stageImages(folder, seed)
  let program: ServedProgram | undefined
  try {
    program = await serveProgram(folder, await freePort())
    const leftBehind: DeviceConnection[] = []
    const site = siteOf(program, images, leftBehind)
    const groups = fleet(site, count, seed, random)
    const kills = run.kills ?? Math.min(6, Math.ceil(count / 150))
    const stalls = monitorEventLoopDelay()
    stalls.enable()
    await act({ groups, site, program, images, random, atOnce, count, kills })
    stalls.disable()
    for (const connection of leftBehind) connection.close()
    const status = await program.stop()
    const devices = groups.flat().map(({ device }) => device)
    const compared = compare({ devices, images, audit: await audit(folder), lastLife: program.life() })
    const faults = [...compared.faults, ...(await endFaults(folder, status, program.words()))]
    const seconds = ((performance.now() - begun) / 1000).toFixed(1)
    const stallMs = Math.round(stalls.max / 1e6)
    const circumstances = `${program.life()} kills; ${seconds} s; the devices stood still for ${stallMs} ms at most`
    const repeat = `npm run truth -- --devices ${count} --seed ${seed}`
    return {
      ...compared,
      faults,
      repeat,
      lines: wordsOf({ ...compared, faults }, circumstances, repeat),
    }
  } finally {
    await program?.destroy()
    rmSync(folder, { recursive: true, force: true, maxRetries: 3 })
  }
}

function siteOf(program: ServedProgram, images: Images, leftBehind: DeviceConnection[]): Site {
  return {
    port: program.port,
    images,
    life: program.life,
    up: program.up,
    leaveBehind(connection) {
      leftBehind.push(connection)
      if (leftBehind.length > LEFT_BEHIND_AT_MOST) leftBehind.shift()?.close()
    },
  }
}

/** Devices in the groups that act together: most are alone behind their address, some share it. */
function fleet(site: Site, count: number, seed: number, random: Random): Member[][] {
  const groups: Member[][] = []
  let number = 0
  while (number < count) {
    const together = random.chance(0.04) ? Math.min(count - number, random.whole(2, 4)) : 1
    const address = addressOf(groups.length)
    const image = imageFor(site.images, random, false)
    const group: Member[] = []
    const portsUsed = new Set<number>()
    for (let each = 0; each < together; each += 1, number += 1) {
      const behaviour = random.weighted(together === 1 ? BEHAVIOURS : SHARED_BEHAVIOURS)
      const device = createDevice(site, {
        number,
        address,
        behaviour: behaviour.name,
        image: behaviour.restless === true ? imageFor(site.images, random, true) : image,
        random: createRandom(`${seed} device ${number}`),
        portsUsed,
      })
      group.push({ device, behaviour })
    }
    groups.push(group)
  }
  return groups
}

function imageFor({ list }: Images, random: Random, restless: boolean): string {
  const fitting = list.filter((image) => image.restless === restless)
  if (restless) return fitting[random.whole(0, fitting.length - 1)]?.name ?? ''
  return random.weighted(fitting).name
}

/** Out of 127.0.0.0/8 (RFC 1122 §3.2.1.3), which is this machine itself on Linux and Windows; not 127.0.0.1. */
function addressOf(index: number): string {
  const at = index + 256 * 256
  return `127.${at >> 16}.${(at >> 8) & 255}.${at & 255}`
}

interface Acting {
  readonly groups: readonly Member[][]
  readonly site: Site
  readonly program: ServedProgram
  readonly images: Images
  readonly random: Random
  readonly atOnce: number
  readonly count: number
  readonly kills: number
}

async function act({ groups, site, program, images, random, atOnce, count, kills }: Acting): Promise<void> {
  const waiting = [...groups]
  const killAt = Array.from({ length: kills }, (_none, at) => Math.round(((at + 1) * count) / (kills + 1)))
  let done = 0
  let changed = 0
  let killing: Promise<void> = Promise.resolve()

  function meanwhile(): void {
    if (done >= (killAt[0] ?? Number.POSITIVE_INFINITY)) {
      killAt.shift()
      killing = killing.then(() => program.killAndRestart())
    }
    if (done / DEVICES_A_CHANGE > changed + 1) {
      changed += 1
      changeSomething(images, random)
    }
  }

  async function next(): Promise<void> {
    for (let group = waiting.shift(); group !== undefined; group = waiting.shift()) {
      await Promise.all(group.map(({ device, behaviour }) => behaviour.act(device, site)))
      done += group.length
      meanwhile()
    }
  }

  await Promise.all(Array.from({ length: atOnce }, next))
  await killing
}

function changeSomething(images: Images, random: Random): void {
  const { name } = images.list[random.whole(0, images.list.length - 1)] ?? { name: '' }
  const change = random.pick(['replace', 'replace', 'cut', 'touch'] as const)
  images[change](name, random)
}

async function endFaults(folder: string, status: number | null, words: string): Promise<string[]> {
  const faults: string[] = []
  if (status !== 0) faults.push(`the server ended with ${status}`)
  const check = await fetchproof(['audit', folder, '--check'])
  if (check.status !== 0) faults.push(`the chain is not intact: ${check.stdout}${check.stderr}`)
  const unexpected = words.split('\n').filter((line) => line !== '' && !line.endsWith(CHANGED_UNDER_WAY))
  if (unexpected.length > 0) faults.push(`the server's own log: ${unexpected.join('\n').slice(0, 500)}`)
  return faults
}

/** The run changes images while they are pulled, and the server is to say so. */
const CHANGED_UNDER_WAY = 'changed while it was being served; it is being read anew.'

const FAULTS_SHOWN = 25

function wordsOf(compared: Comparison, circumstances: string, repeat: string): string[] {
  const { faults, devices, due, dueComplete, missed, takenBySystemOnly } = compared
  return [
    ...tableOf(devices),
    `${dueComplete} of ${due} devices that hold all, closed in order, shared no address and met no kill are complete`,
    circumstances,
    `${takenBySystemOnly} fetches delivered to a device's system that closed in order while its program read only a part`,
    ...missed.slice(0, FAULTS_SHOWN).map((each) => `not complete: ${each}`),
    ...faults.slice(0, FAULTS_SHOWN).map((fault) => `FAULT  ${fault}`),
    ...(faults.length > FAULTS_SHOWN ? [`… and ${faults.length - FAULTS_SHOWN} more`] : []),
    `${faults.length === 0 ? 'passed' : 'FAILED'}; to repeat: ${repeat}`,
  ]
}
