/** Lines for a person's own firewall: shape, quoting, and that closing undoes what opening did. */
import { execFileSync } from 'node:child_process'
import { describe, expect, it } from 'vitest'
import { firewallLines } from '../../server/network/firewall.ts'
import { needs } from '../needs.ts'

const lines = (platform: NodeJS.Platform, ports = [8080, 80], program = '/opt/node/bin/node') =>
  firewallLines({ platform, ports: ports.map((port) => ({ port, transport: 'tcp' })), program })

describe('firewallLines', () => {
  it.each(['win32', 'darwin', 'linux'] as const)('has an opening and a closing line on %s', (platform) => {
    expect(lines(platform).length).toBeGreaterThan(0)
    for (const { open, close, note } of lines(platform)) {
      expect(open).not.toBe(close)
      expect(note).not.toBe('')
    }
  })

  it.each(['win32', 'linux'] as const)('names every port in the opening line on %s', (platform) => {
    for (const { open } of lines(platform)) {
      expect(open).toMatch(/\b8080\b/)
      expect(open).toMatch(/\b80\b/)
    }
  })

  it('removes on Windows the rule by the name that it was given', () => {
    for (const { open, close } of lines('win32')) {
      const named = /(?:DisplayName |name=)("[^"]+")/
      expect(named.exec(close)?.[1]).toBe(named.exec(open)?.[1])
    }
  })

  it.each(['win32', 'linux'] as const)('says of each port on %s which transport it is of', (platform) => {
    const note = 'Ports of their own.'
    const ports = [
      { port: 8080, transport: 'tcp' },
      { port: 69, transport: 'udp', note },
    ] as const
    for (const line of firewallLines({ platform, ports, program: 'node' })) {
      expect(line.open).toMatch(/\bUDP\b.*\b69\b|\b69\/udp|udp dport '\{ 69 \}'/i)
      expect(line.open).toMatch(/\bTCP\b.*\b8080\b|\b8080\/tcp|tcp dport '\{ 8080 \}'/i)
      expect(line.open).not.toMatch(/69\/tcp|8080\/udp/)
      expect(line.note).toContain(note)
    }
  })

  it('knows no line elsewhere, or without a port', () => {
    expect(lines('aix')).toEqual([])
    expect(lines('linux', [])).toEqual([])
  })

  it('quotes a program’s path so that a shell reads it back', needs('POSIX'), () => {
    const program = "/Applications/it's here/node"
    const [line] = lines('darwin', [8080], program)
    const quoted = /--remove (.*)$/.exec(line?.close ?? '')?.[1] ?? ''
    expect(execFileSync('sh', ['-c', `printf %s ${quoted}`], { encoding: 'utf8' })).toBe(program)
  })

  it('finds its own nft rule by the comment, and no other', needs('POSIX'), () => {
    const close = lines('linux', [8080]).find(({ program }) => program === 'nft')?.close ?? ''
    const filter = /\| (sed .*)\)"$/.exec(close)?.[1] ?? ''
    const listing = `table inet filter {
  chain input { # handle 1
    tcp dport 22 accept comment "ssh" # handle 4
    tcp dport { 8080 } accept comment "fetchproof-8080" # handle 7
    tcp dport { 8080, 80 } accept comment "fetchproof-8080-80" # handle 9
  }
}
`
    expect(execFileSync('sh', ['-c', filter], { input: listing, encoding: 'utf8' })).toBe('7\n')
  })
})
