/** Sentences for screen readers, gathered so that a busy minute does not chatter. */
const GATHER_MS = 1_500
const AT_ONCE = 3

interface Announcer {
  say(sentence: string): void
  /** At once, for what answers a key press. */
  answer(sentence: string): void
}

/** `show` puts the text into a polite live region. */
export function createAnnouncer(show: (text: string) => void): Announcer {
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
    say(sentence) {
      waiting.push(sentence)
      if (planned) return
      planned = true
      setTimeout(flush, GATHER_MS)
    },
    answer: tell,
  }
}
