/** How a fetch can have ended, graded by what was seen; a list apart, so that the usage needs no schema. */

export const FETCH_ENDINGS = [
  'delivered',
  'unconfirmed',
  'reset-late',
  'cut',
  'withdrawn',
  'headers-only',
  'refused',
  'lost-track',
] as const

export type Ending = (typeof FETCH_ENDINGS)[number]
