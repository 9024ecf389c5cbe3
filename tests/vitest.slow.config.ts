import { mergeConfig } from 'vitest/config'
import base from './vitest.config.ts'

const slow = mergeConfig(base, { test: { testTimeout: 600_000 } })
if (slow.test !== undefined) {
  slow.test.include = ['tests/**/*.slow.test.ts']
  slow.test.exclude = []
  delete slow.test.projects
}
export default slow
