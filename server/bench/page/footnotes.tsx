/** Sentences that would stand on many rows stand once below them, and each row refers to them. */
import { Outside } from './parts.tsx'

type Footnotes = ReturnType<typeof footnotesOf>

/** `ofRows`: what each row has to say; what at least two of them do becomes a footnote. */
export function footnotesOf(ofRows: readonly (readonly string[])[]) {
  const counts = new Map<string, number>()
  for (const sentence of ofRows.flat()) counts.set(sentence, (counts.get(sentence) ?? 0) + 1)
  const sentences = [...counts].flatMap(([sentence, count]) => (count > 1 ? [sentence] : []))
  const numbers = new Map(sentences.map((sentence, at) => [sentence, at + 1]))
  return {
    sentences,
    /** Of those that stand below, from 1 and apart by blanks. */
    numbersOf: (own: readonly string[]): string =>
      own.flatMap((sentence) => numbers.get(sentence) ?? []).join(' '),
  }
}

export function Reference({ numbers }: { numbers: string }) {
  if (numbers === '') return null
  return (
    <sup>
      <span class="unseen">note </span>
      {numbers}
    </sup>
  )
}

export function FootnoteList({ notes }: { notes: Footnotes }) {
  if (notes.sentences.length === 0) return null
  return (
    <ol class="footnotes">
      {notes.sentences.map((sentence, at) => (
        <li key={sentence}>
          <sup>{at + 1}</sup> <Outside text={sentence} />
        </li>
      ))}
    </ol>
  )
}
