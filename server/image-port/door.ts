/** This door as the rest of the program sees it. */
import type { Door } from '../depot/door.ts'
import { HTTP_FACTS } from './door-facts.ts'

export const HTTP_DOOR: Door = Object.freeze({
  ...HTTP_FACTS,
  // Loaded when it is needed: nobody who serves rehearses.
  rehearser: async (code) => (await import('./rehearsal.ts')).createHttpRehearser(code),
} satisfies Door)
