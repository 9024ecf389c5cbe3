// Preloaded while a ledger is recorded: the machine it runs on has no name, no kernel and no user of its own.
const { syncBuiltinESMExports } = require('node:module')
const os = require('node:os')

os.hostname = () => 'staging-laptop'
os.release = () => '6.1.0'
os.userInfo = () => ({ username: 'engineer' })
syncBuiltinESMExports()
