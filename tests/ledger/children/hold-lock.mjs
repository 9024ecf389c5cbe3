// Holds the lock of a folder as where the system does not show when a process began, until it is killed.
import { takeLock } from '../../../dist/server/ledger/lock.js'
import { hereNow } from '../../../dist/server/ledger/process-life.js'

await takeLock(process.argv[2], { here: { ...hereNow(), processStart: null } })
process.stdout.write('held\n')
setInterval(() => {}, 1000)
