// Builds the bench page from its browser source.
import { fileURLToPath } from 'node:url'
import preact from '@preact/preset-vite'
import { build } from 'vite'

/** `how`: options of vite's build, such as where it goes. */
export function buildPage(how) {
  // Whatever the surroundings say (a test runner says "test"): the page of a debugging build carries paths of this machine.
  process.env.NODE_ENV = 'production'
  return build({
    root: fileURLToPath(new URL('../server/bench/page', import.meta.url)),
    configFile: false,
    logLevel: 'warn',
    plugins: [preact()],
    base: './',
    build: { modulePreload: { polyfill: false }, ...how },
  })
}
