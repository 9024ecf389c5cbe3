// Ledgers to measure with: invented pulls, sealed as the program seals them.
import { closeSync, mkdirSync, openSync, writeSync } from 'node:fs'
import { join } from 'node:path'

const SHA256 = 'a'.repeat(64)
const LINES_A_WRITE = 2_000

/** Writes `<folder>/.fetchproof/ledger.ndjson` with `pulls` whole, delivered fetches, and refusals; returns the file. */
export async function writeLedger(folder, pulls, { clients = 200, refusals = 0 } = {}) {
  const { FIRST_PREV, sealLine } = await import('../../dist/server/ledger/chain.js')
  const records = join(folder, '.fetchproof')
  mkdirSync(records, { recursive: true })
  const file = join(records, 'ledger.ndjson')
  const descriptor = openSync(file, 'w')
  const image = { name: 'core-switch.bin', plainPath: '/core-switch.bin', bytes: 1_000_000, sha256: SHA256 }
  let place = { seq: 1, prev: FIRST_PREV }
  let at = Date.parse('2026-03-03T18:00:00Z')
  let pending = []
  const write = (entry) => {
    at += 7
    const sealed = sealLine(place, at, entry)
    pending.push(`${sealed.line}\n`)
    place = { seq: place.seq + 1, prev: sealed.entry.sum }
    if (pending.length >= LINES_A_WRITE) flush()
  }
  const flush = () => {
    writeSync(descriptor, pending.join(''))
    pending = []
  }
  for (let id = 1; id <= pulls; id += 1) {
    const host = id % clients
    write({
      kind: 'fetch-begun',
      id,
      client: {
        address: `198.51.100.${host % 250}`,
        port: 40_000,
        mac: `00:00:5e:00:53:${(host % 256).toString(16).padStart(2, '0')}`,
      },
      localAddress: '198.51.100.254',
      method: 'GET',
      target: '/core-switch.bin',
      httpVersion: '1.1',
      userAgent: 'branch-device/1.0',
      image,
      status: 200,
      first: 0,
      promised: image.bytes,
    })
    write({
      kind: 'fetch-ended',
      id,
      ending: 'delivered',
      bytesHandedOver: image.bytes,
      firstByteMs: 1,
      lastByteMs: 90,
      durationMs: 95,
    })
  }
  for (let id = pulls + 1; id <= pulls + refusals; id += 1) {
    write({
      kind: 'fetch-refused',
      id,
      client: { address: `203.0.113.${id % 250}`, port: 40_000 },
      localAddress: '198.51.100.254',
      method: 'GET',
      target: `/no-${id}`,
      httpVersion: '1.1',
      status: 404,
      reason: 'there is no such image',
    })
  }
  flush()
  closeSync(descriptor)
  return file
}
