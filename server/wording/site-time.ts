/** Times as the clock at the site showed them, whatever zone the report is made in. */
import { zoneText } from './units.ts'

export interface SiteTime {
  /** `2026-11-25 21:04:09` */
  full(iso: string): string
  /** `2026-11-25` */
  day(iso: string): string
  /** `21:04:09` */
  clock(iso: string): string
  /** `UTC+01:00` */
  readonly zone: string
}

/** `offsetMinutes`: minutes east of UTC. A time that is none stays as it is. */
export function siteTime(offsetMinutes: number): SiteTime {
  const shifted = (iso: string): string => {
    const ms = Date.parse(iso)
    return Number.isNaN(ms) ? iso : new Date(ms + offsetMinutes * 60_000).toISOString()
  }
  return {
    full: (iso) => shifted(iso).slice(0, 19).replace('T', ' '),
    day: (iso) => shifted(iso).slice(0, 10),
    clock: (iso) => shifted(iso).slice(11, 19),
    zone: `UTC${zoneText(offsetMinutes)}`,
  }
}
