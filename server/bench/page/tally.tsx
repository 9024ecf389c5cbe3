/** The tally, to be read from a metre away, and the report that ends the visit. */
import type { JSX } from 'preact'
import { memo } from 'preact/compat'
import type { BoardView } from '../snapshot-shape.ts'

interface TallyProps {
  readonly board: Pick<BoardView, 'tally' | 'ended'>
  readonly remaining: string | null
}

export const TallyLine = memo(function TallyLine({ board, remaining }: TallyProps): JSX.Element {
  const parts = board.tally.split(' · ')
  return (
    <section class={`tally ${board.ended ? 'ended' : ''}`} aria-labelledby="tally-title" id="tally">
      <h2 id="tally-title">
        {parts.map((part, at) => (
          <span key={part} class={/attention/.test(part) ? 'hand' : ''}>
            {at > 0 && <span class="soft"> · </span>}
            {part}
            {board.ended && at === 0 && '.'}
          </span>
        ))}
      </h2>
      <p class="save">
        <a class={board.ended ? 'button main' : 'button'} href="/api/report?format=html" download>
          Save the report
        </a>
        <a class="button" href="/api/report?format=csv" download aria-label="Save the report as CSV">
          CSV
        </a>
      </p>
      {remaining !== null && <p class="remaining">{remaining}</p>}
    </section>
  )
})
