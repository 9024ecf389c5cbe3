/** Times as the clock at the site showed them, whatever zone the report is made in. */
import { zoneText } from './units.ts'

export type SiteTime = ReturnType<typeof siteTime>

/** `offsetMinutes`: minutes east of UTC. A time that is none stays as it is. */
export function siteTime(offsetMinutes: number) {
  const shifted = (iso: string): string => {
    const ms = Date.parse(iso)
    return Number.isNaN(ms) ? iso : new Date(ms + offsetMinutes * 60_000).toISOString()
  }
  return {
    /** `2026-11-25 21:04:09` */
    full: (iso: string): string => shifted(iso).slice(0, 19).replace('T', ' '),
    /** `2026-11-25` */
    day: (iso: string): string => shifted(iso).slice(0, 10),
    /** `21:04:09` */
    clock: (iso: string): string => shifted(iso).slice(11, 19),
    /** `UTC+01:00` */
    zone: `UTC${zoneText(offsetMinutes)}`,
  }
}
