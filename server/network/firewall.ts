/**
 * The line that opens this system's own firewall for what is listened on, and the one that closes it again. Common
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

export interface OpenPort {
  readonly port: number
  readonly transport: 'tcp' | 'udp'
  /** What the door that listens there has to say about firewalls. */
  readonly note?: string | undefined
}

interface Asked {
  readonly platform: NodeJS.Platform
  readonly ports: readonly OpenPort[]
  /** The program that listens: macOS and some Windows rules go by program, not by port. */
  readonly program: string
}

const SYSTEMS: Partial<Record<NodeJS.Platform, (asked: Asked) => FirewallLine[]>> = {
  win32: windows,
  darwin: macos,
  linux,
}

/** Lines for this system, the usual tool first; empty where none is known. */
export function firewallLines(asked: Asked): readonly FirewallLine[] {
  return asked.ports.length === 0 ? [] : (SYSTEMS[asked.platform]?.(asked) ?? [])
}

/** Rules that block a program win over rules that allow a port, and stay after a dismissed question. */
const WINDOWS_NOTE =
  'Run as administrator. If Windows once asked about this program and was told to cancel, a rule that blocks it stands in the inbound rules and wins over this one: remove it there.'

function windows({ ports }: Asked): FirewallLine[] {
  const name = `Fetchproof ${ports.map(portName).join(' ')}`
  const note = `${WINDOWS_NOTE}${notesOf(ports)}`
  return [
    {
      program: 'powershell',
      open: byTransport(
        ports,
        (transport, list) =>
          `New-NetFirewallRule -DisplayName "${name}" -Direction Inbound -Protocol ${transport.toUpperCase()} -LocalPort ${list.join(',')} -Action Allow -Profile Any`,
      ).join('; '),
      close: `Remove-NetFirewallRule -DisplayName "${name}"`,
      note,
    },
    {
      program: 'netsh',
      open: byTransport(
        ports,
        (transport, list) =>
          `netsh advfirewall firewall add rule name="${name}" dir=in action=allow protocol=${transport.toUpperCase()} localport=${list.join(',')}`,
      ).join(' & '),
      close: `netsh advfirewall firewall delete rule name="${name}"`,
      note,
    },
  ]
}

/** Ports of one transport at a time: some tools have a rule for each. */
function byTransport(
  ports: readonly OpenPort[],
  line: (transport: string, list: readonly number[]) => string,
): string[] {
  return ['tcp', 'udp'].flatMap((transport) => {
    const list = ports.filter((each) => each.transport === transport).map(({ port }) => port)
    return list.length === 0 ? [] : [line(transport, list)]
  })
}

function notesOf(ports: readonly OpenPort[]): string {
  return [...new Set(ports.flatMap(({ note }) => note ?? []))].map((note) => ` ${note}`).join('')
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
  const each = (line: (port: OpenPort) => string) => ports.map(line).join(' && ')
  const flags = (flag: string) =>
    ports.map(({ port, transport }) => `--${flag}-port=${port}/${transport}`).join(' ')
  const mark = (transport: string, list: readonly number[]) =>
    `fetchproof-${list.map((port) => portName({ port, transport })).join('-')}`
  const notes = notesOf(ports)
  return [
    {
      program: 'ufw',
      open: each(({ port, transport }) => `sudo ufw allow ${port}/${transport}`),
      close: each(({ port, transport }) => `sudo ufw delete allow ${port}/${transport}`),
      note: `The rule stays after a restart until it is deleted.${notes}`,
    },
    {
      program: 'firewall-cmd',
      open: `sudo firewall-cmd ${flags('add')}`,
      close: `sudo firewall-cmd ${flags('remove')}`,
      note: `Goes for the default zone and is gone after a restart. An interface of another zone needs --zone=NAME in both lines.${notes}`,
    },
    {
      program: 'nft',
      open: byTransport(
        ports,
        (transport, list) =>
          `sudo nft insert rule inet filter input ${transport} dport '{ ${list.join(', ')} }' accept comment '"${mark(transport, list)}"'`,
      ).join(' && '),
      close: byTransport(
        ports,
        (transport, list) =>
          `sudo nft delete rule inet filter input handle "$(sudo nft -a list chain inet filter input | sed -n 's/.*"${mark(transport, list)}".*# handle //p')"`,
      ).join(' && '),
      note: `Where the table "inet filter" with a chain "input" is in use; gone after the rules are loaded again.${notes}`,
    },
  ]
}

/** TCP ports by number alone. */
function portName({ port, transport }: { port: number; transport: string }): string {
  return transport === 'tcp' ? String(port) : `${port}${transport}`
}
