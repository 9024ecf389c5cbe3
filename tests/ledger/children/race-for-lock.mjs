// Tries to take the lock of each folder named on standard input, one a line, and says whether it won.
import { createInterface } from 'node:readline'
import { takeLock } from '../../../dist/server/ledger/lock.js'

process.stdout.write('ready\n')
for await (const folder of createInterface({ input: process.stdin })) {
  try {
    const lock = await takeLock(folder)
    process.stdout.write(`won ${lock.token}\n`)
  } catch (error) {
    process.stdout.write(`${error.code}\n`)
  }
}
