/** Entries for the tests: one of each kind by hand, and any entry at all, made from the schemas. */
import fc from 'fast-check'
import { ENTRY_KINDS, ENTRY_SCHEMAS, type EntryKind, type NewEntry } from '../../server/ledger/entries.ts'

const sha256 = 'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'
const image = { name: 'Nordbücherei Switch 4.2.bin', plainPath: 'switch-4.2.bin', bytes: 1_048_576, sha256 }
const client = { address: '192.0.2.17', port: 49_152, mac: '00-00-5E-00-53-11' }
const addresses = [{ address: '192.0.2.1', interface: 'eth0' }]

export function begun(id: number): Extract<NewEntry, { kind: 'fetch-begun' }> {
  return {
    kind: 'fetch-begun',
    id,
    client,
    localAddress: '192.0.2.1',
    localPort: 8080,
    method: 'GET',
    target: '/switch-4.2.bin',
    httpVersion: '1.0',
    image,
    status: 200,
    first: 0,
    promised: image.bytes,
  }
}

export function ended(id: number): Extract<NewEntry, { kind: 'fetch-ended' }> {
  return { kind: 'fetch-ended', id, ending: 'delivered', bytesHandedOver: image.bytes, durationMs: 812.4 }
}

export function neighbour(last: number): Extract<NewEntry, { kind: 'neighbour' }> {
  return { kind: 'neighbour', address: `192.0.2.${last}`, mac: '00-00-5E-00-53-11' }
}

/** One of each kind, in an order that could be a visit's. */
export const VISIT: readonly NewEntry[] = [
  {
    kind: 'opened',
    version: '0.1.0',
    host: 'branch-laptop',
    system: 'Linux',
    zoneOffsetMinutes: 60,
    addresses,
    settings: { folder: 'staging', allow: [], port: null },
    visit: { engineer: 'A. N. Other', site: 'Branch library Oakham Lane' },
  },
  {
    kind: 'image',
    name: image.name,
    plainPath: image.plainPath,
    digestPath: '/ba7816bf.bin',
    bytes: image.bytes,
    sha256,
    crc32: 'cbf43926',
    blockBytes: 262_144,
    blocksSha256: sha256,
    modified: '2026-01-05T09:00:00.000Z',
    published: { standing: 'matches', algorithm: 'sha256', source: 'SHA256SUMS line 3' },
    format: { kind: 'uImage', verdict: 'sound' },
    notes: [],
  },
  { kind: 'sheet', file: 'visit.csv', sha256, rows: [{ device: 'desk-1', 'Shelf "é"': '3' }], errors: [] },
  { kind: 'published', name: image.name, algorithm: 'sha256', digest: sha256, by: 'engineer' },
  { kind: 'held', name: 'login.bin', reason: 'not firmware: HTML' },
  {
    kind: 'lifted',
    name: image.name,
    sha256,
    reason: 'checked by telephone',
    by: 'engineer',
    reasons: [{ cause: 'by hand', reason: 'wrong hardware revision' }],
  },
  { kind: 'struck', strikes: 3, reason: 'typed for the wrong image', by: 'engineer' },
  begun(1),
  { kind: 'neighbour', address: '192.0.2.17', mac: '00-00-5E-00-53-11' },
  ended(1),
  {
    kind: 'fetch-refused',
    id: 2,
    client: { address: '198.51.100.9' },
    localAddress: '192.0.2.1',
    reason: 'not an allowed client',
    firstLine: 'GET \u0007\u009b2J\\xff',
  },
  { kind: 'addresses', addresses },
  { kind: 'rehearsed', base: 'http://192.0.2.1:8080/', by: 'serve', checks: 12, differences: [] },
  { kind: 'observed', device: 'desk-1', by: 'engineer', before: '4.1', after: '4.2' },
  { kind: 'device-dark', device: 'desk-1', address: '192.0.2.17' },
  { kind: 'device-back', device: 'desk-1', address: '192.0.2.17', darkMs: 61_500 },
  { kind: 'image-gone', name: image.name, sha256 },
  { kind: 'recovered', tornBytes: 0, lostTrack: [] },
  { kind: 'closed', reason: 'told to stop' },
]

/** Any entry that its schema admits, with any text a client could have sent. */
export const anyEntry: fc.Arbitrary<NewEntry> = fc
  .constantFrom(...ENTRY_KINDS)
  .chain((kind) => bodyOf(kind).map((body) => ({ kind, ...body }) as NewEntry))

interface Shape {
  readonly type?: string
  readonly enum?: readonly string[]
  readonly pattern?: string
  readonly minimum?: number
  readonly maximum?: number
  readonly required?: readonly string[]
  readonly properties?: Readonly<Record<string, Shape>>
  readonly patternProperties?: Readonly<Record<string, Shape>>
  readonly items?: Shape
}

const SET_BY_THE_LEDGER = new Set(['seq', 'at', 'kind', 'prev', 'sum'])

function bodyOf(kind: EntryKind): fc.Arbitrary<object> {
  const shape = ENTRY_SCHEMAS[kind] as Shape
  const properties = Object.entries(shape.properties ?? {}).filter(([name]) => !SET_BY_THE_LEDGER.has(name))
  const required = shape.required?.filter((name) => !SET_BY_THE_LEDGER.has(name)) ?? []
  return anyOf({
    type: 'object',
    properties: Object.fromEntries(properties),
    required,
  }) as fc.Arbitrary<object>
}

function anyOf(shape: Shape): fc.Arbitrary<unknown> {
  if (shape.enum !== undefined) return fc.constantFrom(...shape.enum)
  if (shape.pattern !== undefined) return fc.stringMatching(new RegExp(shape.pattern))
  switch (shape.type) {
    case 'string':
      return fc.oneof(
        fc.string({ unit: 'binary' }),
        fc.string({ unit: 'binary', minLength: 400, maxLength: 900 }),
      )
    case 'integer':
      return fc.integer({ min: shape.minimum ?? -900, max: Math.min(shape.maximum ?? 900, 2 ** 31 - 1) })
    case 'number':
      return fc.double({ min: shape.minimum ?? 0, max: 1e9, noNaN: true })
    case 'boolean':
      return fc.boolean()
    case 'array':
      return fc.array(anyOf(shape.items ?? {}), { maxLength: 3 })
    case 'object':
      return shape.patternProperties === undefined ? members(shape) : anyRecord(shape.patternProperties)
    default:
      return fc.jsonValue({ maxDepth: 2 })
  }
}

function members(shape: Shape): fc.Arbitrary<unknown> {
  const entries = Object.entries(shape.properties ?? {}).map(([name, inner]) => [name, anyOf(inner)] as const)
  const requiredKeys = (shape.required ?? []) as never[]
  return fc.record(Object.fromEntries(entries), { requiredKeys, noNullPrototype: true })
}

function anyRecord(patterns: Readonly<Record<string, Shape>>): fc.Arbitrary<unknown> {
  const value = anyOf(Object.values(patterns)[0] ?? {})
  return fc.dictionary(fc.string({ unit: 'binary' }), value, { maxKeys: 4, noNullPrototype: true })
}
