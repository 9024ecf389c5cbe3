// The truth test on the command line: node tests/truth/main.mjs --devices N --seed S. Vite runs the TypeScript,
// since Node 20 does not.
import { fileURLToPath } from 'node:url'
import { parseArgs } from 'node:util'
import { createServer, createServerModuleRunner } from 'vite'

const { values } = parseArgs({
  options: {
    devices: { type: 'string', default: '300' },
    seed: { type: 'string', default: String(Math.floor(Math.random() * 1e9)) },
    kills: { type: 'string' },
    'at-once': { type: 'string' },
    attack: { type: 'string' },
    retell: { type: 'string' },
  },
})

function whole(name) {
  const value = Number(values[name])
  if (Number.isSafeInteger(value) && value >= 0) return value
  console.error(`--${name} takes a whole number, not ${JSON.stringify(values[name])}.`)
  process.exit(2)
}

const run = {
  devices: whole('devices'),
  seed: whole('seed'),
  ...(values.kills !== undefined && { kills: whole('kills') }),
  ...(values['at-once'] !== undefined && { atOnce: whole('at-once') }),
  ...(values.retell !== undefined && { retell: whole('retell') }),
  ...(values.attack !== undefined && { attack: values.attack }),
}
// Kept open: commands that run in this process load their modules when they are called.
const vite = await createServer({
  configFile: false,
  logLevel: 'error',
  appType: 'custom',
  server: { middlewareMode: true, hmr: false, watch: null, ws: false },
  optimizeDeps: { noDiscovery: true },
})
const runner = createServerModuleRunner(vite.environments.ssr)
const module = await runner.import(fileURLToPath(new URL('run.ts', import.meta.url)))
const report = await module.runTruth(run)
for (const line of report.lines) console.log(line)
process.exitCode = report.faults.length === 0 ? 0 : 1
await runner.close()
await vite.close()
