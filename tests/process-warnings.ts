/** Fails the test in which Node.js warned this process of something: a leak of listeners, a deprecated call. */
import { afterEach, expect } from 'vitest'

/** One listener a process: where test files share one, this runs anew for each of them. */
const heard = process as NodeJS.Process & { warningsOfTests?: string[] }
if (heard.warningsOfTests === undefined) {
  const warnings: string[] = []
  heard.warningsOfTests = warnings
  process.on('warning', ({ name, message }) => warnings.push(`${name}: ${message}`))
}

afterEach(async () => {
  // Warnings come on a later turn than what they are about (`process.emitWarning`).
  await new Promise((later) => setImmediate(later))
  expect(heard.warningsOfTests?.splice(0), 'warnings of Node.js').toEqual([])
})
