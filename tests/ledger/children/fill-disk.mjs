// Runs on a small disk of its own: fills it, goes on as the ledger allows, makes room, and tells what happened.
import { once } from 'node:events'
import { closeSync, openSync, readdirSync, rmSync, writeSync } from 'node:fs'
import { join } from 'node:path'
import { openLedger } from '../../../dist/server/ledger/ledger.js'
import { checkLedger } from '../../../dist/server/ledger/read.js'

const disk = process.argv[2]
const filler = join(disk, 'filler')
const records = join(disk, 'records')
const ledger = await openLedger({ records, reserveBytes: 64 * 1024, probeMs: 50 })
const client = { address: '192.0.2.17' }
const image = { name: 'a.bin', plainPath: 'a.bin', bytes: 9, sha256: '0'.repeat(64) }
const fetch = {
  client,
  localAddress: '192.0.2.1',
  method: 'GET',
  target: '/a.bin',
  httpVersion: '1.0',
  image,
}
const begin = () => {
  const id = ledger.nextFetchId()
  ledger.append({ kind: 'fetch-begun', id, ...fetch, status: 200, first: 0, promised: 9 })
  return id
}
const end = (id) =>
  ledger.append({ kind: 'fetch-ended', id, ending: 'cut', bytesHandedOver: 1, durationMs: 1 })

const underWay = Array.from({ length: 20 }, begin)
fillUp()
const full = once(ledger.events, 'full')
let refusal
while (refusal === undefined) {
  try {
    underWay.push(begin())
  } catch (error) {
    refusal = error.code
  }
}
await full
const writableWhenFull = ledger.writable
const reserveGone = !readdirSync(records).includes('reserve')
for (const id of underWay) end(id)
await ledger.synced()
const whileFull = await checkLedger(ledger.file)
const room = once(ledger.events, 'room')
rmSync(filler)
// Looking for room keeps no process alive, as a server does by listening.
const alive = setInterval(() => undefined, 1000)
await room
clearInterval(alive)
const writableAgain = ledger.writable
end(begin())
await ledger.close('done')
const after = await checkLedger(ledger.file)
const told = {
  refusal,
  writableWhenFull,
  reserveGone,
  underWay: underWay.length,
  whileFull,
  writableAgain,
  after,
}
process.stdout.write(`${JSON.stringify(told)}\n`)

function fillUp() {
  const descriptor = openSync(filler, 'w')
  const block = Buffer.alloc(4096, 1)
  try {
    for (;;) writeSync(descriptor, block)
  } catch (error) {
    if (error.code !== 'ENOSPC') throw error
  } finally {
    closeSync(descriptor)
  }
}
