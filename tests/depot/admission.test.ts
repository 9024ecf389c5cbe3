/** Who may have what, in no protocol's terms. Addresses: RFC 5737. */
import { describe, expect, test } from 'vitest'
import type { HeldPart } from '../../server/delivery/held-parts.ts'
import { type AdmissionDeps, createAdmission, denialOf } from '../../server/depot/admission.ts'
import { FetchproofError } from '../../server/errors.ts'
import { ownAddresses } from '../../server/network/addresses.ts'
import type { FoundImage, Image, ReadyImage } from '../../server/staging/image.ts'

const SHA = 'a'.repeat(64)
const device = { client: { address: '192.0.2.21' }, localAddress: '192.0.2.10' }

function imageOf(change: Partial<Image> = {}): Image {
  return {
    name: 'switch.bin',
    file: '/staging/switch.bin',
    plainPath: '/switch.bin',
    digestPath: '/aaaaaaaa.bin',
    bytes: 10,
    modifiedMs: 0,
    state: 'ready',
    version: {
      sha256: SHA,
      bytes: 10,
      crc32: '00000000',
      blockBytes: 262_144,
      blocks: new Uint8Array(),
      blocksSha256: SHA,
      identity: { dev: 1n, ino: 1n, size: 10n, mtimeNs: 1n, ctimeNs: 1n },
      more: {},
    },
    published: { standing: 'none' },
    format: { kind: 'unknown', verdict: 'unknown' },
    notes: [],
    ...change,
  }
}

const own = ownAddresses({
  eth0: [
    {
      address: '192.0.2.10',
      family: 'IPv4',
      mac: '00:00:5e:00:53:0a',
      internal: false,
      cidr: '192.0.2.10/24',
    },
  ],
  tun0: [
    {
      address: '198.51.100.2',
      family: 'IPv4',
      mac: '00:00:00:00:00:00',
      internal: false,
      cidr: '198.51.100.2/24',
    },
  ],
})

interface Turned extends Partial<Omit<AdmissionDeps, 'settings'>> {
  readonly settings?: Partial<AdmissionDeps['settings']>
}

function admissionOf({ settings, ...turned }: Turned = {}) {
  return createAdmission({
    settings: { allow: [], allowTunnels: false, list: false, ...settings },
    own: () => own,
    find: () => ({ kind: 'image', image: imageOf(), by: 'plain' }),
    images: () => [imageOf(), imageOf({ state: 'held' })],
    visit: { refusal: () => undefined },
    partOf: () => undefined,
    writable: () => true,
    ...turned,
  })
}

const finding = (found: FoundImage): Turned => ({ find: () => found })

describe('who', () => {
  test('a device of an own subnet has the image', () => {
    expect(admissionOf().admit(device, '/switch.bin')).toMatchObject({ kind: 'image' })
  })

  test('an address from elsewhere is denied, with the flag that admits it', () => {
    const foreign = { ...device, client: { address: '203.0.113.9' } }
    expect(admissionOf().admit(foreign, '/switch.bin')).toMatchObject({
      denial: 'not allowed',
      hint: 'To admit it, start again with --allow 203.0.113.9/32.',
    })
  })

  test('what comes over a tunnel is denied unless told otherwise', () => {
    const tunnelled = { client: { address: '198.51.100.7' }, localAddress: '198.51.100.2' }
    expect(admissionOf().admit(tunnelled, '/switch.bin')).toMatchObject({ denial: 'not allowed' })
    const admission = admissionOf({ settings: { allowTunnels: true } })
    expect(admission.admit(tunnelled, '/switch.bin')).toMatchObject({ kind: 'image' })
  })

  test('nobody without a record, nobody once it stops; who is not allowed is not told of either', () => {
    const unwritable = admissionOf({ writable: () => false })
    expect(unwritable.admit(device, '/switch.bin')).toMatchObject({ denial: 'unavailable' })
    const admission = admissionOf()
    admission.stop()
    expect(admission.admit(device, '/switch.bin')).toMatchObject({ denial: 'unavailable' })
    const foreign = { ...device, client: { address: '203.0.113.9' } }
    expect(admission.admit(foreign, '/switch.bin')).toMatchObject({ denial: 'not allowed' })
  })
})

describe('a part', () => {
  const part = (held: Partial<HeldPart> | undefined, first: number, onward = true) =>
    admissionOf({
      partOf: () => held && { sha256: SHA, furthest: 0, underWay: 0, ...held },
    }).denyPart(device, imageOf() as ReadyImage, { first, onward })

  test('of an image of which nothing is on record may be had', () => {
    expect(part(undefined, 5)).toBeUndefined()
  })

  test('after another version was begun may not, in whatever kind of range', () => {
    const other = { sha256: 'b'.repeat(64), furthest: 10, underWay: 1 }
    for (const onward of [true, false])
      expect(part(other, 5, onward)).toMatchObject({ denial: 'other version' })
  })

  test('onward from beyond what was handed over may not, unless a fetch is under way or all was handed over', () => {
    expect(part({ furthest: 5 }, 5)).toBeUndefined()
    expect(part({ furthest: 5 }, 6)).toMatchObject({
      denial: 'other version',
      hint: 'delete the part on the device, then fetch it again from the start',
      image: { name: 'switch.bin' },
    })
    expect(part({ furthest: 5 }, 6, false)).toBeUndefined()
    expect(part({ furthest: 5, underWay: 1 }, 6)).toBeUndefined()
    expect(part({ furthest: 5 }, 10)).toMatchObject({ denial: 'other version' })
    expect(part({ furthest: 10 }, 99)).toBeUndefined()
  })

  test('is had by the rehearsal of this machine, whatever it fetched before', () => {
    const other = admissionOf({ partOf: () => ({ sha256: 'b'.repeat(64), furthest: 0, underWay: 0 }) })
    const rehearsing = { ...device, client: { address: '192.0.2.10' }, rehearsal: true }
    expect(other.denyPart(rehearsing, imageOf() as ReadyImage, { first: 5, onward: true })).toBeUndefined()
  })
})

describe('what', () => {
  test('a held image is named in its denial, so that the device that asked stands on record beside it', () => {
    const held = finding({ kind: 'image', image: imageOf({ state: 'held', reason: 'differs' }), by: 'plain' })
    expect(admissionOf(held).admit(device, '/switch.bin')).toEqual({
      kind: 'denied',
      denial: 'held',
      reason: 'switch.bin is held: differs',
      image: { name: 'switch.bin', plainPath: '/switch.bin', bytes: 10, sha256: SHA },
    })
  })

  test.each(['settling', 'reading', 'locked'] as const)('one that is %s: not ready', (state) => {
    const found = finding({ kind: 'image', image: imageOf({ state }), by: 'plain' })
    expect(admissionOf(found).admit(device, '/switch.bin')).toMatchObject({ denial: 'not ready' })
  })

  test('an unknown name, with the nearest one', () => {
    const found = finding({ kind: 'none', nearest: '/switch.bin' })
    expect(admissionOf(found).admit(device, '/swich.bin')).toMatchObject({
      denial: 'unknown name',
      hint: 'The nearest name is /switch.bin.',
    })
  })

  test('the list only where it is offered, and of it only what is ready', () => {
    expect(admissionOf(finding({ kind: 'list' })).admit(device, '/SHA256SUMS')).toMatchObject({
      denial: 'unknown name',
    })
    const offered = admissionOf({ ...finding({ kind: 'list' }), settings: { list: true } })
    expect(offered.admit(device, '/SHA256SUMS')).toMatchObject({ kind: 'list', images: [{ state: 'ready' }] })
  })

  test('an image that the sheet does not plan: its bytes are denied, its checksum file is not', () => {
    const visit = { refusal: () => ({ why: 'planned is another', hint: 'correct its row' }) }
    expect(admissionOf({ visit }).admit(device, '/switch.bin')).toMatchObject({
      denial: 'not planned',
      reason: 'planned is another',
      image: { sha256: SHA },
    })
    const checksum = { visit, ...finding({ kind: 'checksum', image: imageOf() }) }
    expect(admissionOf(checksum).admit(device, '/switch.bin.sha256')).toMatchObject({ kind: 'checksum' })
  })

  test('a rehearsal from this machine itself may have what no device is planned for; from elsewhere not', () => {
    const admission = admissionOf({ visit: { refusal: () => ({ why: 'not on the sheet', hint: '' }) } })
    const own = { client: { address: '192.0.2.10' }, localAddress: '192.0.2.10', rehearsal: true }
    expect(admission.admit(own, '/switch.bin')).toMatchObject({ kind: 'image' })
    expect(admission.admit({ ...device, rehearsal: true }, '/switch.bin')).toMatchObject({
      denial: 'not planned',
    })
  })
})

test('what a fetch meets on its beginning is a denial where it has one, and a fault of ours where not', () => {
  expect(denialOf(new FetchproofError('FP_BUSY', { why: 'full' }))).toMatchObject({ denial: 'unavailable' })
  expect(denialOf(new FetchproofError('FP_IMAGE_CHANGED', { image: 'a' }))).toMatchObject({
    denial: 'not ready',
  })
  expect(denialOf(new Error('a fault'))).toBeUndefined()
})
