/** What the system shows of a running server: its memory and its open descriptors. */
import { readdirSync, readFileSync } from 'node:fs'
import { setTimeout as pause } from 'node:timers/promises'
import type { ServedProgram } from '../clients/served.ts'

/** Only Linux shows these files; elsewhere what is asked of them holds. */
const SHOWN = process.platform === 'linux'

/** What a server opens once and keeps, with a thread that starts late: no leak. */
export const LATE_DESCRIPTORS = 8

/** Resident memory, KiB; 0 where the system does not show it. */
export function residentKib({ process: child }: Pick<ServedProgram, 'process'>): number {
  if (!SHOWN) return 0
  return Number(/^VmRSS:\s+(\d+) kB$/m.exec(readFileSync(`/proc/${child.pid}/status`, 'utf8'))?.[1])
}

/** Open descriptors; 0 where the system does not show them. */
export function descriptors({ process: child }: Pick<ServedProgram, 'process'>): number {
  return SHOWN ? readdirSync(`/proc/${child.pid}/fd`).length : 0
}

/** Resolves once a figure of the system, which nobody announces, is low enough; rejects at the deadline. */
export async function untilAtMost(
  figure: () => number,
  most: number,
  what: string,
  deadlineMs = 20_000,
): Promise<void> {
  const deadline = Date.now() + deadlineMs
  while (figure() > most) {
    if (Date.now() > deadline) throw new Error(`${what}: ${figure()}, and not at most ${most}`)
    await pause(50)
  }
}
