/** Numbers, rates and times as people read them. Times are local with their zone; the ledger keeps UTC. */

export function bytesText(bytes: number): string {
  const digits = String(Math.round(bytes))
  let text = digits.slice(-3)
  for (let end = digits.length - 3; end > 0; end -= 3)
    text = `${digits.slice(Math.max(0, end - 3), end)},${text}`
  return text
}

/** Decimal units, as link rates and disk sizes use them: `12.4 MB`. */
export function sizeText(bytes: number): string {
  const units = ['bytes', 'kB', 'MB', 'GB', 'TB']
  let value = bytes
  let unit = 0
  while (value >= 999.5 && unit < units.length - 1) {
    value /= 1000
    unit += 1
  }
  return `${unit === 0 ? value : Number(value.toPrecision(3))} ${units[unit]}`
}

/** `36 %`; nothing is 100 % that is not all of it. */
export function percentText(bytes: number, of: number): string {
  return `${of === 0 ? 100 : Math.floor((bytes / of) * 100)} %`
}

export function rateText(bytesPerSecond: number): string {
  return `${sizeText(Math.round(bytesPerSecond))}/s`
}

/** `0.4 s`, `42 s`, `3 min 05 s`, `2 h 07 min`. */
export function durationText(seconds: number): string {
  if (seconds < 9.95) return `${seconds.toFixed(1)} s`
  const whole = Math.round(seconds)
  if (whole < 60) return `${whole} s`
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${pad(whole % 60)} s`
  return `${Math.floor(whole / 3600)} h ${pad(Math.floor((whole % 3600) / 60))} min`
}

export type SiteTime = ReturnType<typeof siteTime>

/**
 * Times as the clock at the site showed them, `offsetMinutes` east of UTC, whatever zone this runs in. A time that is
 * none stays as it is.
 */
export function siteTime(offsetMinutes: number) {
  const shifted = (iso: string): string => {
    const ms = Date.parse(iso)
    return Number.isNaN(ms) ? iso : new Date(ms + offsetMinutes * 60_000).toISOString()
  }
  const offset = zoneText(offsetMinutes)
  return {
    /** `2026-11-25 21:04:09` */
    full: (iso: string): string => shifted(iso).slice(0, 19).replace('T', ' '),
    /** `2026-11-25` */
    day: (iso: string): string => shifted(iso).slice(0, 10),
    /** `21:04:09` */
    clock: (iso: string): string => shifted(iso).slice(11, 19),
    /** `+01:00` */
    offset,
    /** `UTC+01:00` */
    zone: `UTC${offset}`,
  }
}

/** As the clock of this computer shows it. */
function localTime(iso: string): SiteTime {
  return siteTime(-new Date(iso).getTimezoneOffset())
}

/** `21:04:09` in local time. */
export function clockText(iso: string): string {
  return localTime(iso).clock(iso)
}

/** `2026-11-25 21:04:09 +01:00` in local time with its zone. */
export function timeText(iso: string): string {
  const { full, offset } = localTime(iso)
  return `${full(iso)} ${offset}`
}

/** `2026-11-25` in local time. */
export function dayText(iso: string): string {
  return localTime(iso).day(iso)
}

export function zoneText(offsetMinutes: number): string {
  const total = Math.abs(offsetMinutes)
  return `${offsetMinutes < 0 ? '-' : '+'}${pad(Math.floor(total / 60))}:${pad(total % 60)}`
}

function pad(value: number): string {
  return String(value).padStart(2, '0')
}
