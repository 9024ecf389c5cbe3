/** Who may fetch. Ranges: RFC 1918, RFC 3927, RFC 4193, RFC 4291; outside addresses: RFC 5737, RFC 3849. */
import fc from 'fast-check'
import { describe, expect, it } from 'vitest'
import { arrivesOverTunnel, createAllowList } from '../../server/depot/allow-list.ts'
import { isFetchproofError } from '../../server/errors.ts'
import { ownAddresses } from '../../server/network/addresses.ts'

const own = ownAddresses({
  eth0: [
    {
      address: '198.51.100.20',
      family: 'IPv4',
      mac: '00:00:5e:00:53:0a',
      internal: false,
      cidr: '198.51.100.20/25',
    },
    {
      address: 'fe80::a',
      family: 'IPv6',
      mac: '00:00:5e:00:53:0a',
      internal: false,
      cidr: 'fe80::a/64',
      scopeid: 2,
    },
  ],
  tun0: [
    { address: '10.99.0.2', family: 'IPv4', mac: '00:00:00:00:00:00', internal: false, cidr: '10.99.0.2/16' },
    {
      address: 'fe80::a',
      family: 'IPv6',
      mac: '00:00:00:00:00:00',
      internal: false,
      cidr: 'fe80::a/64',
      scopeid: 7,
    },
  ],
})

describe('without --allow', () => {
  const list = createAllowList({ allow: [], own: () => own })

  // Both ends of each range.
  it.each([
    '10.0.0.0',
    '10.255.255.255',
    '172.16.0.0',
    '172.31.255.255',
    '192.168.0.0',
    '192.168.255.255',
    '169.254.0.1',
    '127.0.0.1',
    '::1',
    'fe80::1%eth0',
    'febf::1',
    'fc00::1',
    'fdff::1',
    '::ffff:192.168.1.1',
    '198.51.100.1',
    '198.51.100.127',
  ])('admits %s', (address) => {
    expect(list.refusal(address)).toBeUndefined()
  })

  it.each([
    ['9.255.255.255', '--allow 9.255.255.255/32'],
    ['172.15.255.255', '--allow 172.15.255.255/32'],
    ['172.32.0.0', '--allow 172.32.0.0/32'],
    ['192.169.0.0', '--allow 192.169.0.0/32'],
    ['198.51.100.128', '--allow 198.51.100.128/32'],
    ['203.0.113.9', '--allow 203.0.113.9/32'],
    ['::ffff:203.0.113.9', '--allow 203.0.113.9/32'],
    ['2001:DB8::9', '--allow 2001:db8::9/128'],
    ['fec0::1', '--allow fec0::1/128'],
  ])('refuses %s and names the flag that admits it', (address, flag) => {
    const answer = list.refusal(address)
    expect(answer).toMatchObject({ hint: `To admit it, start again with ${flag}.` })
    const flagged = createAllowList({ allow: [flag.slice('--allow '.length)], own: () => own })
    expect(flagged.refusal(address)).toBeUndefined()
  })

  it('refuses a client whose address is gone', () => {
    expect(list.refusal(undefined)).toMatchObject({ hint: '' })
  })

  it('admits a subnet that the laptop joined meanwhile', () => {
    let now = ownAddresses({})
    const live = createAllowList({ allow: [], own: () => now })
    expect(live.refusal('198.51.100.5')).toBeDefined()
    now = own
    expect(live.refusal('198.51.100.5')).toBeUndefined()
  })

  it('takes a prefix of 0 on a point-to-point link for no subnet', () => {
    const wide = ownAddresses({
      ppp0: [
        {
          address: '203.0.113.1',
          family: 'IPv4',
          mac: '00:00:00:00:00:00',
          internal: false,
          cidr: '203.0.113.1/0',
        },
      ],
    })
    expect(createAllowList({ allow: [], own: () => wide }).refusal('192.0.2.1')).toBeDefined()
  })
})

describe('with --allow', () => {
  it('replaces every default, own subnets and loopback included', () => {
    const list = createAllowList({ allow: ['192.0.2.0/24', '2001:db8::/32'], own: () => own })
    expect(list.refusal('192.0.2.255')).toBeUndefined()
    expect(list.refusal('2001:db8:ffff::1')).toBeUndefined()
    for (const address of ['192.0.3.0', '10.0.0.1', '198.51.100.1', '127.0.0.1', '2001:db9::1']) {
      expect(list.refusal(address), address).toBeDefined()
    }
  })

  it('takes a single address, and a mapped range for the IPv4 range that it is', () => {
    const list = createAllowList({ allow: ['192.0.2.7', '::ffff:198.51.100.0/120'], own: () => own })
    expect(list.refusal('192.0.2.7')).toBeUndefined()
    expect(list.refusal('192.0.2.8')).toBeDefined()
    expect(list.refusal('198.51.100.200')).toBeUndefined()
    expect(list.refusal('198.51.101.0')).toBeDefined()
  })

  it.each(['192.0.2.0/33', '192.0.2/24', '2001:db8::/129', 'lan', '192.0.2.0/', '192.0.2.0/8/8', ''])(
    'refuses %j as no range',
    (value) => {
      let thrown: unknown
      try {
        createAllowList({ allow: [value], own: () => own })
      } catch (error) {
        thrown = error
      }
      expect(isFetchproofError(thrown, 'FP_CIDR_BAD')).toBe(true)
    },
  )

  it('agrees with plain arithmetic on random IPv4 ranges', () => {
    const word = fc.integer({ min: 0, max: 0xffff_ffff })
    const dotted = (n: number) => [24, 16, 8, 0].map((shift) => (n >>> shift) & 255).join('.')
    fc.assert(
      fc.property(word, word, fc.integer({ min: 0, max: 32 }), (network, client, bits) => {
        const list = createAllowList({ allow: [`${dotted(network)}/${bits}`], own: () => [] })
        const size = 2 ** (32 - bits)
        const inside = Math.floor(network / size) === Math.floor(client / size)
        expect(list.refusal(dotted(client)) === undefined).toBe(inside)
      }),
    )
  })
})

describe('arrivesOverTunnel', () => {
  it('tells connections on a tunnel address from the others', () => {
    expect(arrivesOverTunnel('10.99.0.2', own)).toBe(true)
    expect(arrivesOverTunnel('::ffff:10.99.0.2', own)).toBe(true)
    expect(arrivesOverTunnel('198.51.100.20', own)).toBe(false)
    expect(arrivesOverTunnel(undefined, own)).toBe(false)
  })

  it('decides by the zone when two interfaces share an address, and for the tunnel without one', () => {
    expect(arrivesOverTunnel('fe80::a%eth0', own)).toBe(false)
    expect(arrivesOverTunnel('fe80::a%tun0', own)).toBe(true)
    expect(arrivesOverTunnel('fe80::a%7', own)).toBe(true)
    expect(arrivesOverTunnel('fe80::a', own)).toBe(true)
  })
})
