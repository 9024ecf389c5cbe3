/** What lies in the folder and is no image: said in the first words, and once for each that comes later. */
import type { Catalogue } from '../../staging/catalogue.ts'
import type { NotOffered } from '../../staging/not-offered.ts'
import type { Unused } from '../../trust/published/unused.ts'
import { shortened, visible } from '../../wording/visible.ts'

/** Named one by one. */
const NAMED_AT_MOST = 8
/** They come in heaps; a download that is over by then needs no word. */
const SAID_AFTER_MS = 1_000

export function notOfferedWords(notOffered: readonly NotOffered[]): string[] {
  if (notOffered.length === 0) return []
  const named = notOffered
    .slice(0, NAMED_AT_MOST)
    .map(({ name, why }) => `${shortened(name, 40)} (${visible(why)})`)
  const more = notOffered.length - named.length
  return [`Not offered: ${named.join('; ')}${more > 0 ? `; and ${more} more` : ''}`]
}

/** `not used: SHA256SUMS, line 3: gone.bin is not here.` */
export function unusedWords({ file, line, reason }: Unused): string {
  return `not used: ${visible(file)}${line === 0 ? '' : `, line ${line}`}: ${visible(reason)}`
}

/** The first of them. */
export function unusedLines(unused: readonly Unused[]): string[] {
  const more = unused.length - NAMED_AT_MOST
  const rest = more > 0 ? [`not used: ${more} more; "fetchproof images" says which`] : []
  return [...unused.slice(0, NAMED_AT_MOST).map(unusedWords), ...rest]
}

/** From now on, once for each that is not there yet. */
export function sayNotOffered(
  catalogue: Pick<Catalogue, 'notOffered' | 'events'>,
  say: (line: string) => void,
): void {
  const said = new Set(catalogue.notOffered().map(keyOf))
  let waiting = false

  function sayFresh(): void {
    waiting = false
    const fresh = catalogue.notOffered().filter((each) => !said.has(keyOf(each)))
    for (const each of fresh) said.add(keyOf(each))
    for (const line of notOfferedWords(fresh)) say(line)
  }

  catalogue.events.on('notOffered', () => {
    if (!waiting) setTimeout(sayFresh, SAID_AFTER_MS).unref()
    waiting = true
  })
}

const keyOf = ({ name, why }: NotOffered): string => `${name} ${why}`
