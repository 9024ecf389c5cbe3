/** This door as the rest of the program sees it. */
import type { Door } from '../depot/door.ts'
import { USUAL_PORT } from './packets.ts'

export const TFTP_DOOR: Door = Object.freeze({
  name: 'tftp',
  usualPort: USUAL_PORT,
  transport: 'udp',
  // RFC 1350 §4: each transfer has a port of its own on both sides.
  firewallNote:
    'Transfers by TFTP come from UDP ports of their own: their first packet leaves from here, so this firewall lets the answers in. One that stands elsewhere on the way has to let UDP pass to every port of this laptop.',
  // Many consoles ask for the two apart (RFC 3617 has the URL).
  lines: (port) => ['{url}', `server {host}${port === USUAL_PORT ? '' : ', port {port}'}, file {path}`],
  // Loaded when it is needed: nobody who serves rehearses.
  rehearser: async (code) => (await import('./rehearsal.ts')).createTftpRehearser(code),
} satisfies Door)
