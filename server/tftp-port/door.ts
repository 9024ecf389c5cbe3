/** This door as the rest of the program sees it. */
import type { Door } from '../depot/door.ts'
import { TFTP_FACTS } from './door-facts.ts'

export const TFTP_DOOR: Door = Object.freeze({
  ...TFTP_FACTS,
  // Loaded when it is needed: nobody who serves rehearses.
  rehearser: async (code) => (await import('./rehearsal.ts')).createTftpRehearser(code),
} satisfies Door)
