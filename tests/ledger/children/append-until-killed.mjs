// Appends to the ledger of the given folder until it is killed; acknowledges each entry on standard output once
// `append` has returned. Killing must never lose an acknowledged one.
import { writeSync } from 'node:fs'
import { openLedger } from '../../../dist/server/ledger/ledger.js'

const ledger = await openLedger({ records: process.argv[2], reserveBytes: 4096 })
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

// The first fetch of each run is left open, so that the next run has something to end.
let leftOpen = 0

function appendSome() {
  for (let count = 0; count < 20; count += 1) {
    const id = ledger.nextFetchId()
    say(ledger.append({ kind: 'fetch-begun', id, ...fetch, status: 200, first: 0, promised: 9 }))
    leftOpen ||= id
    if (id !== leftOpen && id % 3 > 0)
      say(ledger.append({ kind: 'fetch-ended', id, ending: 'cut', bytesHandedOver: 1, durationMs: 1 }))
  }
  setImmediate(appendSome)
}

function say(entry) {
  writeSync(1, `${entry.seq} ${entry.sum}\n`)
}

appendSome()
