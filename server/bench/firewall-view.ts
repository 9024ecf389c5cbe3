/** The firewall lines worth showing: of tools that this system has. Looked up once for each set of ports. */
import { accessSync, constants } from 'node:fs'
import { delimiter, isAbsolute, join } from 'node:path'
import { type FirewallLine, firewallLines, type OpenPort } from '../network/firewall.ts'

/** Where administrators' tools are, on systems that leave these out of a user's path (common practice). */
const MORE_FOLDERS = ['/usr/local/sbin', '/usr/sbin', '/sbin']

export function createFirewallView(): (ports: readonly OpenPort[]) => readonly FirewallLine[] {
  const { platform, execPath } = process
  let key = ''
  let lines: readonly FirewallLine[] = []
  return (ports) => {
    const asked = JSON.stringify(ports)
    if (asked === key) return lines
    key = asked
    // Windows and macOS always have theirs.
    lines = firewallLines({ platform, ports, program: execPath }).filter(
      ({ program }) => platform !== 'linux' || isInstalled(program),
    )
    return lines
  }
}

function isInstalled(program: string): boolean {
  const folders = [...(process.env.PATH ?? '').split(delimiter), ...MORE_FOLDERS]
  return (isAbsolute(program) ? [program] : folders.map((folder) => join(folder, program))).some(isRunnable)
}

function isRunnable(file: string): boolean {
  try {
    accessSync(file, constants.X_OK)
    return true
  } catch {
    return false
  }
}
