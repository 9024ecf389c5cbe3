/** This door as the rest of the program sees it. */
import type { Door } from '../depot/door.ts'

export const HTTP_DOOR: Door = Object.freeze({
  name: 'http',
  usualPort: 80,
  transport: 'tcp',
  lines: () => ['{url}'],
  // Loaded when it is needed: nobody who serves rehearses.
  rehearser: async (code) => (await import('./rehearsal.ts')).createHttpRehearser(code),
} satisfies Door)
