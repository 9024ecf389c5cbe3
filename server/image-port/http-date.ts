/** HTTP-date, RFC 9110 §5.6.7: the three forms that a recipient has to accept, all of them in GMT, and no other. */

const MONTHS = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec']
const DAY = '(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun)'
const DAY_IN_FULL = '(?:Monday|Tuesday|Wednesday|Thursday|Friday|Saturday|Sunday)'
const MONTH = `(?<month>${MONTHS.join('|')})`
const TIME = '(?<hour>\\d{2}):(?<minute>\\d{2}):(?<second>\\d{2})'

const FORMS = [
  // Sun, 06 Nov 1994 08:49:37 GMT
  new RegExp(`^${DAY}, (?<day>\\d{2}) ${MONTH} (?<year>\\d{4}) ${TIME} GMT$`),
  // Sunday, 06-Nov-94 08:49:37 GMT
  new RegExp(`^${DAY_IN_FULL}, (?<day>\\d{2})-${MONTH}-(?<year>\\d{2}) ${TIME} GMT$`),
  // Sun Nov  6 08:49:37 1994
  new RegExp(`^${DAY} ${MONTH} (?<day>[ \\d]\\d) ${TIME} (?<year>\\d{4})$`),
]

/** Milliseconds since 1970, or undefined for what is no HTTP-date. `nowMs` decides about years of two digits. */
export function parseHttpDate(text: string, nowMs: number): number | undefined {
  const parts = FORMS.map((form) => form.exec(text)?.groups).find((groups) => groups !== undefined)
  if (parts === undefined) return undefined
  const { year = '', month = '', day, hour, minute, second } = parts
  const monthAt = MONTHS.indexOf(month)
  const fullYear = year.length === 2 ? nearestYear(Number(year), nowMs) : Number(year)
  const ms = Date.UTC(fullYear, monthAt, Number(day), Number(hour), Number(minute), Number(second))
  const date = new Date(ms)
  // The 31st of a month that has 30 days, 25 o'clock; a leap second (60) is the first of the next minute.
  const real = date.getUTCMonth() === monthAt || Number(second) === 60
  return real && Number(hour) < 24 && Number(minute) < 60 && Number(second) <= 60 && Number(day) >= 1
    ? ms
    : undefined
}

/** More than 50 years ahead is meant to be the past. */
function nearestYear(twoDigits: number, nowMs: number): number {
  const thisYear = new Date(nowMs).getUTCFullYear()
  const year = thisYear - (thisYear % 100) + twoDigits
  return year > thisYear + 50 ? year - 100 : year
}
