// The attacks: what each does, how fast where that is not as fast as it can, and for how long where that is not the rest's time.
// Resets, ranges and GETs at full speed take a core and show how a full processor queues, not what the server does for whom.
export const ATTACKS = Object.freeze([
  {
    kind: 'unread at the limit',
    what: '512 GETs that nobody reads, 100 new ones a second, many addresses',
    unit: 'GETs',
  },
  { kind: 'one address', what: 'the same from one address', unit: 'GETs' },
  {
    kind: 'never read',
    what: '3,000 GETs that nobody reads, 150 new ones a second, many addresses',
    unit: 'GETs',
    seconds: 20,
  },
  { kind: 'one byte at a time', what: '4,000 connections that send a byte a second', unit: 'connections' },
  { kind: 'connect and close', what: 'connections closed at once', unit: 'connections' },
  { kind: 'resets', what: 'GETs reset at their first byte, 300 new ones a second', unit: 'GETs' },
  {
    kind: 'ranges ended together',
    what: '2,500 one-byte ranges of one client, 500 a second, ended together',
    unit: 'GETs',
  },
  { kind: 'distinct 404s', what: 'distinct paths that are not there, one address', unit: 'GETs' },
  { kind: 'ten gigabytes', what: 'POSTs of 10 GB, four at a time', unit: 'bytes' },
])
