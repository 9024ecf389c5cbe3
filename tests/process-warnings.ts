/** Fails the test in which Node.js warned this process of something: a leak of listeners, a deprecated call. */
import { afterEach, expect } from 'vitest'

const warnings: string[] = []
process.on('warning', ({ name, message }) => warnings.push(`${name}: ${message}`))

afterEach(async () => {
  // Warnings come on a later turn than what they are about (`process.emitWarning`).
  await new Promise((later) => setImmediate(later))
  expect(warnings.splice(0), 'warnings of Node.js').toEqual([])
})
