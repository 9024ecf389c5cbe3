/**
 * The line that opens this system's own firewall for the image port, and the one that closes it again. Common
 * practice for each system's tool, to be read and run by a person: nothing here is ever executed.
 */

export interface FirewallLine {
  /** The tool's program, so that a caller can leave out what is not installed. */
  readonly program: string
  readonly open: string
  readonly close: string
  /** Where to run it, what it does beyond the port, what it does not do. */
  readonly note: string
}

interface Asked {
  readonly platform: NodeJS.Platform
  /** At least one. */
  readonly ports: readonly number[]
  /** The program that listens: macOS and some Windows rules go by program, not by port. */
  readonly program: string
}

/** Lines for this system, the usual tool first; empty where none is known. */
export function firewallLines(asked: Asked): readonly FirewallLine[] {
  if (asked.ports.length === 0) return []
  switch (asked.platform) {
    case 'win32':
      return windows(asked)
    case 'darwin':
      return macos(asked)
    case 'linux':
      return linux(asked)
    default:
      return []
  }
}

/** Rules that block a program win over rules that allow a port, and stay after a dismissed question. */
const WINDOWS_NOTE =
  'Run as administrator. If Windows once asked about this program and was told to cancel, a rule that blocks it stands in the inbound rules and wins over this one: remove it there.'

function windows({ ports }: Asked): FirewallLine[] {
  const name = ruleName(ports)
  const list = ports.join(',')
  return [
    {
      program: 'powershell',
      open: `New-NetFirewallRule -DisplayName "${name}" -Direction Inbound -Protocol TCP -LocalPort ${list} -Action Allow -Profile Any`,
      close: `Remove-NetFirewallRule -DisplayName "${name}"`,
      note: WINDOWS_NOTE,
    },
    {
      program: 'netsh',
      open: `netsh advfirewall firewall add rule name="${name}" dir=in action=allow protocol=TCP localport=${list}`,
      close: `netsh advfirewall firewall delete rule name="${name}"`,
      note: WINDOWS_NOTE,
    },
  ]
}

function macos({ program }: Asked): FirewallLine[] {
  const tool = '/usr/libexec/ApplicationFirewall/socketfilterfw'
  const quoted = `'${program.replaceAll("'", "'\\''")}'`
  return [
    {
      program: tool,
      open: `sudo ${tool} --add ${quoted} && sudo ${tool} --unblockapp ${quoted}`,
      close: `sudo ${tool} --remove ${quoted}`,
      note: 'This firewall goes by program, not by port: it opens every port of that program. It may ask again after the program was updated.',
    },
  ]
}

function linux({ ports }: Asked): FirewallLine[] {
  const each = (line: (port: number) => string) => ports.map(line).join(' && ')
  const mark = `fetchproof-${ports.join('-')}`
  return [
    {
      program: 'ufw',
      open: each((port) => `sudo ufw allow ${port}/tcp`),
      close: each((port) => `sudo ufw delete allow ${port}/tcp`),
      note: 'The rule stays after a restart until it is deleted.',
    },
    {
      program: 'firewall-cmd',
      open: `sudo firewall-cmd ${ports.map((port) => `--add-port=${port}/tcp`).join(' ')}`,
      close: `sudo firewall-cmd ${ports.map((port) => `--remove-port=${port}/tcp`).join(' ')}`,
      note: 'Goes for the default zone and is gone after a restart. An interface of another zone needs --zone=NAME in both lines.',
    },
    {
      program: 'nft',
      open: `sudo nft insert rule inet filter input tcp dport '{ ${ports.join(', ')} }' accept comment '"${mark}"'`,
      close: `sudo nft delete rule inet filter input handle "$(sudo nft -a list chain inet filter input | sed -n 's/.*"${mark}".*# handle //p')"`,
      note: 'Where the table "inet filter" with a chain "input" is in use; gone after the rules are loaded again.',
    },
  ]
}

function ruleName(ports: readonly number[]): string {
  return `Fetchproof ${ports.join(' ')}`
}
