/** Sentences for screen readers, gathered so that a busy minute does not chatter. */
const GATHER_MS = 1_500
const AT_ONCE = 3

/** `show` puts the text into a polite live region. */
export function createAnnouncer(show: (text: string) => void) {
  let waiting: string[] = []
  let planned = false
  let last = ''

  /** The same sentence again is another text, so that it is spoken again. */
  function tell(text: string): void {
    last = text === last ? `${text}\u00a0` : text
    show(last)
  }

  function flush(): void {
    planned = false
    const more = waiting.length - AT_ONCE
    tell(`${waiting.slice(0, AT_ONCE).join(' ')}${more > 0 ? ` And ${more} more.` : ''}`)
    waiting = []
  }

  return {
    say(sentence: string): void {
      waiting.push(sentence)
      if (planned) return
      planned = true
      setTimeout(flush, GATHER_MS)
    },
    /** At once, for what answers a key press. */
    answer: tell,
  }
}
