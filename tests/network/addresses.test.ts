/** Own addresses: canonical forms, order, choice by subnet, tunnels. Canonical IPv6: RFC 5952 §4. */
import { mkdir, mkdtemp, rm, writeFile } from 'node:fs/promises'
import { networkInterfaces, tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import {
  addressFor,
  hostForUrl,
  type InterfaceTable,
  normalise,
  ownAddresses,
} from '../../server/network/addresses.ts'
import { isTunnel, NO_FACTS, readInterfaceFacts } from '../../server/network/interfaces.ts'
import { createOwnAddresses } from '../../server/network/own-addresses.ts'
import { needs } from '../needs.ts'

const MAC = '00:00:5e:00:53:0a'
const v4 = (address: string, bits: number, mac = MAC, internal = false) => ({
  address,
  family: 'IPv4' as const,
  mac,
  internal,
  cidr: `${address}/${bits}`,
})
const v6 = (address: string, bits: number, scopeid = 0, mac = MAC) => ({
  address,
  family: 'IPv6' as const,
  mac,
  internal: false,
  cidr: `${address}/${bits}`,
  scopeid,
})

const laptop: InterfaceTable = {
  lo: [v4('127.0.0.1', 8, '00:00:00:00:00:00', true)],
  tun0: [v4('10.99.0.2', 16, '00:00:00:00:00:00')],
  wlan0: [v4('192.168.7.20', 24)],
  eth0: [v6('fe80::5eff:fe00:530a', 64, 2), v6('2001:db8:7::20', 64), v4('192.168.50.20', 24)],
  eth1: [v4('203.0.113.20', 24), v4('169.254.9.9', 16)],
}

const folders: string[] = []
afterEach(async () => {
  for (const folder of folders.splice(0)) await rm(folder, { recursive: true, force: true })
})

describe('normalise', () => {
  it.each([
    ['::ffff:192.0.2.7', '192.0.2.7'],
    ['::FFFF:C000:0207', '192.0.2.7'],
    ['2001:DB8:0:0:0:0:0:1', '2001:db8::1'],
    ['fe80::1%eth0', 'fe80::1'],
    // RFC 5952 §4.2.2: one 16-bit zero field is not shortened; §4.2.3: the first of equal runs is.
    ['2001:db8:0:1:1:1:1:1', '2001:db8:0:1:1:1:1:1'],
    ['2001:db8:0:0:1:0:0:1', '2001:db8::1:0:0:1'],
  ])('turns %s into %s', (given, expected) => {
    expect(normalise(given)).toBe(expected)
  })

  it.each(['', '192.0.2', '192.0.2.010', '0xc0.0.2.7', '192.0.2.7/24', 'router-3', '2001:db8::1::2'])(
    'takes %j for no address',
    (given) => {
      expect(normalise(given)).toBeUndefined()
    },
  )

  it('takes the missing address of a connection that is gone', () => {
    expect(normalise(undefined)).toBeUndefined()
  })
})

describe('hostForUrl', () => {
  it('puts IPv6 in brackets, without a zone, so that a URL parser reads it back', () => {
    expect(hostForUrl('192.0.2.7')).toBe('192.0.2.7')
    expect(hostForUrl('fe80::1%eth0')).toBe('[fe80::1]')
    expect(new URL(`http://${hostForUrl('2001:DB8::7')}:8080/a`).host).toBe('[2001:db8::7]:8080')
  })
})

describe('ownAddresses', () => {
  it('lists private IPv4 by cable first, then wireless, IPv6, link-local, tunnels, and loopback last', () => {
    expect(ownAddresses(laptop).map(({ address }) => address)).toEqual([
      '192.168.50.20',
      '203.0.113.20',
      '192.168.7.20',
      '2001:db8:7::20',
      '169.254.9.9',
      'fe80::5eff:fe00:530a',
      '10.99.0.2',
      '127.0.0.1',
    ])
  })

  it('describes an address with its subnet and kind', () => {
    expect(ownAddresses({ eth0: [v4('192.168.50.20', 22)] })).toEqual([
      {
        address: '192.168.50.20',
        interface: 'eth0',
        family: 4,
        prefix: 22,
        cidr: '192.168.48.0/22',
        loopback: false,
        linkLocal: false,
        tunnel: false,
        scopeId: null,
        offerable: true,
      },
    ])
  })

  it('offers neither loopback nor IPv6 link-local addresses to be pasted', () => {
    const kept = ownAddresses(laptop).filter(({ offerable }) => !offerable)
    expect(kept.map(({ address }) => address)).toEqual(['fe80::5eff:fe00:530a', '127.0.0.1'])
  })

  it('takes a missing subnet for the address alone', () => {
    const [own] = ownAddresses({ eth0: [{ ...v4('192.0.2.7', 24), cidr: null }] })
    expect(own?.cidr).toBe('192.0.2.7/32')
  })

  it('lists what this machine really has, as the system names it', () => {
    const loopback = ownAddresses(networkInterfaces()).find(({ address }) => address === '127.0.0.1')
    expect(loopback).toMatchObject({ loopback: true, tunnel: false, cidr: '127.0.0.0/8', offerable: false })
  })
})

describe('addressFor', () => {
  const own = ownAddresses({
    eth0: [v4('10.0.0.5', 8), v6('fe80::a', 64, 2)],
    eth1: [v4('10.20.0.5', 16), v6('fe80::b', 64, 3)],
    eth2: [v6('2001:db8:7::20', 64)],
  })

  it('chooses the longest prefix that holds the device', () => {
    expect(addressFor('10.20.3.3', own)?.address).toBe('10.20.0.5')
    expect(addressFor('10.21.3.3', own)?.address).toBe('10.0.0.5')
    expect(addressFor('::ffff:10.20.3.3', own)?.address).toBe('10.20.0.5')
    expect(addressFor('2001:db8:7::99', own)?.address).toBe('2001:db8:7::20')
  })

  it('knows no address for a device of another subnet', () => {
    expect(addressFor('192.0.2.1', own)).toBeUndefined()
    expect(addressFor('not an address', own)).toBeUndefined()
  })

  it('follows the zone of a link-local peer, by interface name or number', () => {
    expect(addressFor('fe80::99%eth1', own)?.address).toBe('fe80::b')
    expect(addressFor('fe80::99%3', own)?.address).toBe('fe80::b')
  })
})

describe('createOwnAddresses', () => {
  it('reads the system once a second at most, and shows a changed address after that', () => {
    let time = 0
    let reads = 0
    let address = '192.0.2.10'
    const own = createOwnAddresses({
      interfaces: () => {
        reads += 1
        return { eth0: [v4(address, 24)] }
      },
      factsOf: () => NO_FACTS,
      now: () => time,
    })
    expect(own()[0]?.address).toBe('192.0.2.10')
    address = '192.0.2.11'
    time = 999
    expect(own()[0]?.address).toBe('192.0.2.10')
    expect(reads).toBe(1)
    time = 1_000
    expect(own()[0]?.address).toBe('192.0.2.11')
  })
})

describe('isTunnel', () => {
  const cable = { name: 'eth0', mac: MAC, loopback: false, facts: NO_FACTS }

  it('takes a link without hardware address for a tunnel, but not loopback', () => {
    expect(isTunnel(cable)).toBe(false)
    expect(isTunnel({ ...cable, mac: null })).toBe(true)
    expect(isTunnel({ ...cable, name: 'lo', mac: null, loopback: true })).toBe(false)
  })

  it.each([512, 768, 769, 776, 778, 823, 65534])(
    'takes Linux hardware type %i for a tunnel',
    (hardwareType) => {
      expect(isTunnel({ ...cable, facts: { ...NO_FACTS, hardwareType } })).toBe(true)
    },
  )

  it.each([
    'tun0',
    'utun4',
    'tap0',
    'ppp0',
    'wg0',
    'ipsec0',
    'gre1',
    'Branch VPN',
    'Teredo Tunneling Pseudo-Interface',
  ])('takes the name %s for a tunnel even with a hardware address', (name) => {
    expect(isTunnel({ ...cable, name })).toBe(true)
  })

  it.each(['eth0', 'enp3s0', 'en0', 'wlan0', 'Ethernet 2', 'Wi-Fi', 'tunnelbana', 'slot3'])(
    'takes the name %s for no tunnel',
    (name) => {
      expect(isTunnel({ ...cable, name })).toBe(false)
    },
  )
})

describe('readInterfaceFacts', () => {
  it('reads hardware type, tun flags and device from the folder of the interface', async () => {
    const root = await mkdtemp(join(tmpdir(), 'facts-'))
    folders.push(root)
    await mkdir(join(root, 'tap7'))
    await writeFile(join(root, 'tap7', 'type'), '1\n')
    await writeFile(join(root, 'tap7', 'tun_flags'), '0x1802\n')
    await mkdir(join(root, 'wl0', 'wireless'), { recursive: true })
    await mkdir(join(root, 'wl0', 'device'))
    await writeFile(join(root, 'wl0', 'type'), '1\n')
    expect(readInterfaceFacts('tap7', root)).toEqual({
      hardwareType: 1,
      tun: true,
      wireless: false,
      physical: false,
    })
    expect(readInterfaceFacts('wl0', root)).toMatchObject({ wireless: true, physical: true })
  })

  it('knows nothing elsewhere, of an absent interface, or of a name that is a path', () => {
    expect(readInterfaceFacts('eth0', '/no/such/folder')).toEqual(NO_FACTS)
    expect(readInterfaceFacts('no-such-interface')).toEqual(NO_FACTS)
    expect(readInterfaceFacts('../net/lo')).toEqual(NO_FACTS)
  })

  it('reads loopback of this machine as ARPHRD_LOOPBACK, 772', needs('Linux'), () => {
    expect(readInterfaceFacts('lo')).toMatchObject({ hardwareType: 772, tun: false })
  })
})
