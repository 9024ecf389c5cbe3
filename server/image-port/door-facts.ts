/** What this door says of itself. */
import type { DoorFacts } from '../network/bases.ts'

export const HTTP_FACTS: DoorFacts = Object.freeze({
  name: 'http',
  usualPort: 80,
  transport: 'tcp',
  lines: () => ['{url}'],
})
