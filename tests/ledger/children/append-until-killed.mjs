// Appends to the ledger of the given folder until it is killed; acknowledges each entry on standard output once
// `append` has returned. Killing must never lose an acknowledged one.
import { writeSync } from 'node:fs'
import { openLedger } from '../../../dist/server/ledger/ledger.js'
import { begin, cut } from './fetches.mjs'

const ledger = await openLedger({ records: process.argv[2], reserveBytes: 4096 })

// The first fetch of each run is left open, so that the next run has something to end.
let leftOpen = 0

function appendSome() {
  for (let count = 0; count < 20; count += 1) {
    const begun = begin(ledger)
    say(begun)
    leftOpen ||= begun.id
    if (begun.id !== leftOpen && begun.id % 3 > 0) say(cut(ledger, begun))
  }
  setImmediate(appendSome)
}

function say(entry) {
  writeSync(1, `${entry.seq} ${entry.sum}\n`)
}

appendSome()
