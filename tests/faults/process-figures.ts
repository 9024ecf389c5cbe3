/** What the system counts of a process (Linux, proc(5)): processor time, memory in RAM, open files. */
import { readdirSync, readFileSync } from 'node:fs'

export const FIGURES_SHOWN = process.platform === 'linux'
/** USER_HZ, 100 on all of Linux's usual architectures (from memory); `getconf CLK_TCK` says it. */
const TICKS_A_SECOND = 100

export function cpuSeconds(pid: number): number {
  const text = readFileSync(`/proc/${pid}/stat`, 'utf8')
  // The state is field 3 and the first after the name in brackets; utime and stime are 14 and 15.
  const fields = text.slice(text.lastIndexOf(')') + 2).split(' ')
  return (Number(fields[11]) + Number(fields[12])) / TICKS_A_SECOND
}

export function residentBytes(pid: number): number {
  return kibibytes(pid, 'VmRSS')
}

/** The most it ever was. */
export function mostResidentBytes(pid: number): number {
  return kibibytes(pid, 'VmHWM')
}

export function openFiles(pid: number): number {
  return readdirSync(`/proc/${pid}/fd`).length
}

function kibibytes(pid: number, field: string): number {
  const line = new RegExp(`^${field}:\\s+(\\d+) kB$`, 'm').exec(readFileSync(`/proc/${pid}/status`, 'utf8'))
  if (line?.[1] === undefined) throw new Error(`the system does not show ${field} of process ${pid}`)
  return Number(line[1]) * 1024
}
