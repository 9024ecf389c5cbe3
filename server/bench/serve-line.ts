/** The line that starts this run anew: the page shows it when the server does not answer. Pure. */
import { join } from 'node:path'
import { DEFAULTS, RECORDS_FOLDER } from '../defaults.ts'
import type { Settings } from '../settings.ts'
import { quoted } from '../wording/typed-path.ts'

/** No flags, or of no use to a page that is open: it knows its own port, and needs no browser opened. */
const LEFT_OUT: ReadonlySet<string> = new Set([
  'page',
  'pagePort',
  'open',
  'newToken',
  'maxFetchesPerClient',
  'blockCacheBytes',
])

/** All but `--page-port`, which only the page itself knows when that port was taken or none was asked for. */
export function serveLine(settings: Settings, platform: NodeJS.Platform = process.platform): string {
  const quote = (text: string): string => quoted(text, platform)
  const { folder, records } = settings
  const flags = Object.entries(DEFAULTS).flatMap(([name, usual]) => {
    const value = settings[name as keyof typeof DEFAULTS]
    if (LEFT_OUT.has(name) || JSON.stringify(value) === JSON.stringify(usual)) return []
    const flag = `--${name.replace(/[A-Z]/g, (letter) => `-${letter.toLowerCase()}`)}`
    if (Array.isArray(value)) return value.flatMap((each) => [flag, bareOr(quote, each)])
    return value === true ? [flag] : [flag, String(value)]
  })
  const elsewhere = records === join(folder, RECORDS_FOLDER) ? [] : ['--records', quote(records)]
  return ['fetchproof', 'serve', quote(folder), ...flags, ...elsewhere].join(' ')
}

function bareOr(quote: (text: string) => string, text: string): string {
  return /^[\w.:/-]+$/.test(text) ? text : quote(text)
}
