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
  return `${
    unit === 0
      ? value
      : value
          .toPrecision(3)
          .replace(/(\.\d*?)0+$/, '$1')
          .replace(/\.$/, '')
  } ${units[unit]}`
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

/** `21:04:09` in local time. */
export function clockText(iso: string): string {
  return clockOf(new Date(iso))
}

function clockOf(date: Date): string {
  return `${pad(date.getHours())}:${pad(date.getMinutes())}:${pad(date.getSeconds())}`
}

/** `2026-11-25 21:04:09 +01:00` in local time with its zone. */
export function timeText(iso: string): string {
  const date = new Date(iso)
  return `${dayText(date)} ${clockOf(date)} ${zoneText(-date.getTimezoneOffset())}`
}

/** `2026-11-25` in local time. */
export function dayText(date: Date): string {
  return `${date.getFullYear()}-${pad(date.getMonth() + 1)}-${pad(date.getDate())}`
}

export function zoneText(offsetMinutes: number): string {
  const total = Math.abs(offsetMinutes)
  return `${offsetMinutes < 0 ? '-' : '+'}${pad(Math.floor(total / 60))}:${pad(total % 60)}`
}

function pad(value: number): string {
  return String(value).padStart(2, '0')
}
