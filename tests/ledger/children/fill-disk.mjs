// Runs on a small disk of its own: fills it, goes on as the ledger allows, makes room, and tells what happened.
import { once } from 'node:events'
import { closeSync, openSync, readdirSync, rmSync, writeSync } from 'node:fs'
import { join } from 'node:path'
import { openLedger } from '../../../dist/server/ledger/ledger.js'
import { checkLedger } from '../../../dist/server/ledger/read.js'
import { begin, cut } from './fetches.mjs'

const disk = process.argv[2]
const filler = join(disk, 'filler')
const records = join(disk, 'records')
const ledger = await openLedger({ records, reserveBytes: 64 * 1024, probeMs: 50 })
const underWay = Array.from({ length: 20 }, () => begin(ledger))
fillUp()
const full = once(ledger.events, 'full')
let refusal
while (refusal === undefined) {
  try {
    underWay.push(begin(ledger))
  } catch (error) {
    refusal = error.code
  }
}
await full
const writableWhenFull = ledger.writable
const reserveGone = !readdirSync(records).includes('reserve')
for (const begun of underWay) cut(ledger, begun)
await ledger.synced()
const whileFull = await checkLedger(ledger.file)
const room = once(ledger.events, 'room')
rmSync(filler)
// Looking for room keeps no process alive, as a server does by listening.
const alive = setInterval(() => undefined, 1000)
await room
clearInterval(alive)
const writableAgain = ledger.writable
cut(ledger, begin(ledger))
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
