/** What the program loads before it knows which command it is to run: a version must not cost a second of processor time. */
import { readFileSync } from 'node:fs'
import { dirname, resolve } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, test } from 'vitest'

const MAIN = fileURLToPath(new URL('../../server/main.ts', import.meta.url))

/** Packages that a source and all that it imports load when they are loaded; types and `import()` load nothing. */
function packagesOf(
  file: string,
  seen = new Set<string>(),
  packages = new Set<string>(),
): ReadonlySet<string> {
  if (seen.has(file)) return packages
  seen.add(file)
  const source = readFileSync(file, 'utf8')
  for (const [, names = '', from = ''] of source.matchAll(/^(?:import|export) ([^'"]*?) from '([^']+)'/gm)) {
    // `{ type A }` alone loads its file all the same (TypeScript's verbatimModuleSyntax).
    if (/^type\b/.test(names) || from.startsWith('node:')) continue
    if (from.startsWith('.')) packagesOf(resolve(dirname(file), from), seen, packages)
    else packages.add(from)
  }
  return packages
}

test('the usage needs the command line alone', () => {
  expect([...packagesOf(MAIN)]).toEqual(['commander'])
})

test('reading a ledger needs no server', () => {
  const audit = fileURLToPath(new URL('../../server/commands/audit.ts', import.meta.url))
  const packages = packagesOf(audit)
  for (const heavy of ['fastify', 'chokidar', 'undici', 'pino']) expect([...packages]).not.toContain(heavy)
  expect([...packages]).toContain('csv-stringify/sync')
})

test('a start that serves needs no client', () => {
  const serve = fileURLToPath(new URL('../../server/commands/serve/serve.ts', import.meta.url))
  const packages = packagesOf(serve)
  expect([...packages]).not.toContain('undici')
  expect([...packages]).toContain('fastify')
})
