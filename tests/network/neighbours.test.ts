/** The neighbour table. Texts are in the general shape of each system's tools; addresses RFC 5737, 3849, 7042. */
import { execFile } from 'node:child_process'
import { promisify } from 'node:util'
import { describe, expect, it } from 'vitest'
import { LINE, normaliseMac, readNeighbours } from '../../server/network/neighbour-text.ts'
import { createNeighbours } from '../../server/network/neighbours.ts'
import { needs } from '../needs.ts'

const PROC_ARP = `IP address       HW type     Flags       HW address            Mask     Device
192.0.2.7        0x1         0x2         00:00:5e:00:53:01     *        eth0
192.0.2.8        0x1         0x0         00:00:00:00:00:00     *        eth0
192.0.2.9        0x1         0x0         00:00:5e:00:53:09     *        eth0
192.0.2.10       0x1         0x6         00:00:5E:00:53:0A     *        eth1
`
const IP_NEIGH = `2001:db8::7 dev eth0 lladdr 00:00:5e:00:53:01 REACHABLE
fe80::5eff:fe00:5301 dev eth0 lladdr 00:00:5e:00:53:01 router STALE
2001:db8::8 dev eth0  FAILED
2001:db8::9 dev eth0 lladdr 00:00:5e:00:53:09 FAILED
2001:db8::a dev eth0  INCOMPLETE
192.0.2.7 dev eth0 lladdr 00:00:5e:00:53:01 DELAY
`
const MACOS_ARP = `? (192.0.2.7) at 0:0:5e:0:53:1 on en5 ifscope [ethernet]
? (192.0.2.8) at (incomplete) on en5 ifscope [ethernet]
? (192.0.2.255) at ff:ff:ff:ff:ff:ff on en5 ifscope [ethernet]
? (224.0.0.251) at 1:0:5e:0:0:fb on en5 ifscope permanent [ethernet]
`
const MACOS_NDP = `Neighbor                                Linklayer Address  Netif Expire    St Flgs Prbs
2001:db8::7                             0:0:5e:0:53:1      en5   23h59m58s S  R
2001:db8:1111:2222:3333:4444:5555:6666  0:0:5e:0:53:2      en5   12s       R
fe80::5eff:fe00:5301%en5                0:0:5e:0:53:1      en5   permanent R
2001:db8::8                             (incomplete)       en5   expired   N
`
const WINDOWS_ARP = `
Schnittstelle: 192.0.2.20 --- 0x5
  Internetadresse       Physische Adresse     Typ
  192.0.2.7             00-00-5e-00-53-01     dynamisch
  192.0.2.255           ff-ff-ff-ff-ff-ff     statisch
  224.0.0.22            01-00-5e-00-00-16     statisch
`.replaceAll('\n', '\r\n')
const WINDOWS_NETSH = `
Interface 5: Ethernet 2


Internet Address                              Physical Address   Type
--------------------------------------------  -----------------  -----------
2001:db8::7                                   00-00-5e-00-53-01  Reachable (Router)
2001:db8::8                                   00-00-00-00-00-00  Unreachable
2001:db8::9                                                      Incomplete
ff02::16                                      33-33-00-00-00-16  Permanent
`.replaceAll('\n', '\r\n')

describe('normaliseMac', () => {
  it.each([
    ['00-00-5E-00-53-01', '00:00:5e:00:53:01'],
    ['0:0:5e:0:53:1', '00:00:5e:00:53:01'],
    ['00:00:5e:00:53:01', '00:00:5e:00:53:01'],
    ['0000.5E00.5301', '00:00:5e:00:53:01'],
    ['00005E005301', '00:00:5e:00:53:01'],
  ])('writes %s as %s', (given, expected) => {
    expect(normaliseMac(given)).toBe(expected)
  })

  it.each([
    '00:00:00:00:00:00',
    'ff:ff:ff:ff:ff:ff',
    '01:00:5e:00:00:fb',
    '00:00:5e:00:53',
    '00:00-5e:00:53:01',
    '00:00:5e:00:53:01:02',
    '000000000000',
    '(incomplete)',
    '',
  ])('takes %j for no device', (given) => {
    expect(normaliseMac(given)).toBeUndefined()
  })
})

describe('reading the tables', () => {
  const brief = (list: readonly { address: string; mac: string; device: string | undefined }[]) =>
    list.map(({ address, mac, device }) => [address, mac, device])

  it('reads complete entries of /proc/net/arp only', () => {
    expect(brief(readNeighbours(PROC_ARP, LINE.procArp))).toEqual([
      ['192.0.2.7', '00:00:5e:00:53:01', 'eth0'],
      ['192.0.2.10', '00:00:5e:00:53:0a', 'eth1'],
    ])
  })

  it('reads `ip neigh` without failed and incomplete entries', () => {
    expect(brief(readNeighbours(IP_NEIGH, LINE.ipNeigh))).toEqual([
      ['2001:db8::7', '00:00:5e:00:53:01', 'eth0'],
      ['fe80::5eff:fe00:5301', '00:00:5e:00:53:01', 'eth0'],
      ['192.0.2.7', '00:00:5e:00:53:01', 'eth0'],
    ])
  })

  it('reads `arp -an` and `ndp -an` of macOS', () => {
    expect(brief(readNeighbours(MACOS_ARP, LINE.arp))).toEqual([['192.0.2.7', '00:00:5e:00:53:01', 'en5']])
    expect(brief(readNeighbours(MACOS_NDP, LINE.ndp))).toEqual([
      ['2001:db8::7', '00:00:5e:00:53:01', 'en5'],
      ['2001:db8:1111:2222:3333:4444:5555:6666', '00:00:5e:00:53:02', 'en5'],
      ['fe80::5eff:fe00:5301', '00:00:5e:00:53:01', 'en5'],
    ])
  })

  it('reads `arp -a` and `netsh` of Windows in whatever language', () => {
    expect(brief(readNeighbours(WINDOWS_ARP, LINE.arp))).toEqual([
      ['192.0.2.7', '00:00:5e:00:53:01', undefined],
    ])
    expect(brief(readNeighbours(WINDOWS_NETSH, LINE.arp))).toEqual([
      ['2001:db8::7', '00:00:5e:00:53:01', undefined],
    ])
  })
})

describe('lookup on Linux', () => {
  function table(text: string) {
    const state = { text, time: 0, reads: 0, runs: 0 }
    const neighbours = createNeighbours({
      platform: 'linux',
      read: () => {
        state.reads += 1
        return state.text
      },
      run: () => {
        state.runs += 1
        return Promise.resolve(IP_NEIGH)
      },
      now: () => state.time,
    })
    return { state, neighbours }
  }

  it('knows an IPv4 neighbour at once, also by its mapped address, and reads the file once in 2 s', () => {
    const { state, neighbours } = table(PROC_ARP)
    expect(neighbours.lookup('192.0.2.7')).toBe('00:00:5e:00:53:01')
    state.time = 2_000
    expect(neighbours.lookup('::ffff:192.0.2.7')).toBe('00:00:5e:00:53:01')
    expect(state).toMatchObject({ reads: 1, runs: 0 })
  })

  it('sees within 2 s that an address moved to another device', () => {
    const { state, neighbours } = table(PROC_ARP)
    neighbours.lookup('192.0.2.7')
    state.text = PROC_ARP.replace('00:00:5e:00:53:01', '00:00:5e:00:53:77')
    state.time = 2_001
    expect(neighbours.lookup('192.0.2.7')).toBe('00:00:5e:00:53:77')
  })

  it('looks again for a neighbour that came after the last reading, but not at every miss', () => {
    const { state, neighbours } = table('')
    expect(neighbours.lookup('192.0.2.7')).toBeUndefined()
    state.text = PROC_ARP
    state.time = 10
    expect(neighbours.lookup('192.0.2.7')).toBeUndefined()
    expect(state.reads).toBe(1)
    state.time = 21
    expect(neighbours.lookup('192.0.2.7')).toBe('00:00:5e:00:53:01')
    expect(state.reads).toBe(2)
  })

  it('knows an IPv6 neighbour after a refresh, for 2 s', async () => {
    const { state, neighbours } = table(PROC_ARP)
    await neighbours.refresh()
    expect(neighbours.lookup('2001:db8::7')).toBe('00:00:5e:00:53:01')
    state.time = 2_001
    expect(neighbours.lookup('2001:db8::7')).toBeUndefined()
    expect(state.runs).toBe(2)
  })

  it('does not guess between two interfaces that disagree, unless the address carries the zone', async () => {
    const neighbours = createNeighbours({
      platform: 'linux',
      read: () => '',
      run: () =>
        Promise.resolve(
          'fe80::1 dev eth0 lladdr 00:00:5e:00:53:01 STALE\nfe80::1 dev eth1 lladdr 00:00:5e:00:53:02 STALE\n',
        ),
    })
    await neighbours.refresh()
    expect(neighbours.lookup('fe80::1')).toBeUndefined()
    expect(neighbours.lookup('fe80::1%eth1')).toBe('00:00:5e:00:53:02')
  })
})

describe('refresh', () => {
  it('never runs a tool twice at once, and a reading begun after the call answers it', async () => {
    const answers: ((text: string) => void)[] = []
    const neighbours = createNeighbours({
      platform: 'linux',
      read: () => '',
      run: () => new Promise((resolve) => answers.push(resolve)),
    })
    const first = neighbours.refresh()
    const second = neighbours.refresh()
    const third = neighbours.refresh()
    expect(answers).toHaveLength(1)
    answers[0]?.('')
    await first
    expect(neighbours.lookup('2001:db8::7')).toBeUndefined()
    expect(answers).toHaveLength(2)
    answers[1]?.(IP_NEIGH)
    await Promise.all([second, third])
    expect(neighbours.lookup('2001:db8::7')).toBe('00:00:5e:00:53:01')
    expect(answers).toHaveLength(2)
  })

  it.each([
    ['linux', '2001:db8::7'],
    ['darwin', '192.0.2.7'],
    ['win32', '192.0.2.7'],
    ['freebsd', '192.0.2.7'],
  ] as const)(
    'on %s without table and tools, everything is unknown and nothing throws',
    async (platform, address) => {
      const neighbours = createNeighbours({
        platform,
        read: () => {
          throw new Error('ENOENT')
        },
        run: () => Promise.reject(new Error('ENOENT')),
      })
      await neighbours.refresh()
      expect(neighbours.lookup(address)).toBeUndefined()
      expect(neighbours.lookup('192.0.2.1')).toBeUndefined()
      expect(neighbours.lookup('not an address')).toBeUndefined()
    },
  )

  it.each([
    ['darwin', { 'arp -an': MACOS_ARP, 'ndp -an': MACOS_NDP }],
    ['win32', { 'arp -a': WINDOWS_ARP, 'netsh interface ipv6 show neighbors': WINDOWS_NETSH }],
  ] as const)('on %s asks the tools of that system for both families', async (platform, outputs) => {
    const neighbours = createNeighbours({
      platform,
      read: () => '',
      run: (command, args) => {
        const text = (outputs as Record<string, string>)[[command, ...args].join(' ')]
        return text === undefined ? Promise.reject(new Error('ENOENT')) : Promise.resolve(text)
      },
    })
    await neighbours.refresh()
    expect(neighbours.lookup('192.0.2.7')).toBe('00:00:5e:00:53:01')
    expect(neighbours.lookup('2001:db8::7')).toBe('00:00:5e:00:53:01')
    expect(neighbours.lookup('192.0.2.8')).toBeUndefined()
  })
})

describe('against this system', () => {
  const run = promisify(execFile)
  /** A network namespace with one device, two neighbours and an unanswered one; needs the right to make it. */
  const script = `set -e
ip tuntap add mode tap name lan0; ip addr add 192.0.2.20/24 dev lan0; ip link set lan0 up
ip neigh add 192.0.2.7 lladdr 00:00:5e:00:53:01 dev lan0
ip neigh add 2001:db8::7 lladdr 00:00:5e:00:53:02 dev lan0
cat /proc/net/arp; echo ----; ip -6 neigh show`

  it('reads the real table and tool of a Linux network namespace', needs('tap devices'), async () => {
    const { stdout: text } = await run('unshare', ['-n', 'sh', '-c', script], { timeout: 10_000 })
    const [arp = '', neigh = ''] = text.split('----\n')
    expect(readNeighbours(arp, LINE.procArp)).toEqual([
      { address: '192.0.2.7', mac: '00:00:5e:00:53:01', device: 'lan0' },
    ])
    expect(readNeighbours(neigh, LINE.ipNeigh)).toContainEqual({
      address: '2001:db8::7',
      mac: '00:00:5e:00:53:02',
      device: 'lan0',
    })
  })

  it('has no hardware address for loopback', async () => {
    const neighbours = createNeighbours()
    await neighbours.refresh()
    expect(neighbours.lookup('127.0.0.1')).toBeUndefined()
    expect(neighbours.lookup('::1')).toBeUndefined()
  })
})
