/**
 * Whether the process that a lock names still runs. Numbers of processes are reused, so the boot and, where the
 * system shows it (Linux: proc(5), field 22 of /proc/PID/stat), the moment the process began are compared too.
 */
import { readFileSync, readlinkSync } from 'node:fs'
import { hostname, uptime } from 'node:os'
import { isRunning } from '../files/replacing.ts'

/** A process as another one on the same host can recognise it. */
export type Here = ReturnType<typeof hereNow>

/** This process. */
export function hereNow() {
  const uptimeSeconds = Math.round(uptime())
  return {
    host: hostname(),
    /** Random name of this boot, where the system has one (Linux: random(4)). */
    bootId: readOr(() => readFileSync('/proc/sys/kernel/random/boot_id', 'utf8').trim()),
    /** RFC 3339 UTC, by this machine's clock. */
    booted: new Date(Date.now() - uptimeSeconds * 1000).toISOString(),
    /** How long the system had been up, in seconds: another boot shows where there is no boot id. */
    uptimeSeconds,
    pid: process.pid,
    /** When the process began, in the system's own ticks since boot. */
    processStart: processStart(process.pid),
    /** Numbers of processes count only within one name space (Linux: pid_namespaces(7)), as in containers. */
    pidSpace: readOr(() => readlinkSync('/proc/self/ns/pid')),
  }
}

/**
 * Whether the process runs: `gone` only when that is sure, `unknown` when some process has its number and the system
 * does not show whether it is the same. Whatever cannot be judged from here counts as running. One with our own
 * number is gone: what this very process holds, it knows.
 */
export function lifeOf(holder: Here, here: Here): 'running' | 'gone' | 'unknown' {
  const sameBoot = here.bootId !== null && holder.bootId === here.bootId
  const sameSpace = (holder.pidSpace ?? null) === here.pidSpace
  // The host may have another name by now; containers share a boot, and have a space each.
  if (holder.host !== here.host && !(sameBoot && sameSpace && here.pidSpace !== null)) return 'running'
  if (anotherBoot(holder, here)) return 'gone'
  if (!sameSpace) return 'running'
  if (holder.pid === here.pid || !isAlive(holder.pid)) return 'gone'
  const start = processStart(holder.pid)
  if (start === null || typeof holder.processStart !== 'string') return 'unknown'
  return start === holder.processStart ? 'running' : 'gone'
}

function anotherBoot(holder: Here, here: Here): boolean {
  if (typeof holder.bootId === 'string' && here.bootId !== null) return holder.bootId !== here.bootId
  // Without boot ids only a system that has been up for less time than then is surely another boot: the
  // difference of two wall clocks is not, since the clock may have been set. (Windows' fast start-up goes on counting.)
  return here.uptimeSeconds + 5 < holder.uptimeSeconds
}

function isAlive(pid: number): boolean {
  return isRunning(pid) && !['Z', 'X'].includes(statFields(pid)?.[0] ?? '')
}

function processStart(pid: number): string | null {
  // The state is field 3 and the first of these, so field 22 is the twentieth.
  return statFields(pid)?.[19] ?? null
}

/** Fields of /proc/PID/stat from the state on: the name before them may itself hold spaces and brackets. */
function statFields(pid: number): readonly string[] | undefined {
  const text = readOr(() => readFileSync(`/proc/${pid}/stat`, 'utf8'))
  return text?.slice(text.lastIndexOf(')') + 2).split(' ')
}

function readOr(read: () => string): string | null {
  try {
    return read()
  } catch {
    return null
  }
}
