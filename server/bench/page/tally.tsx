/** The tally, to be read from a metre away, and the report that ends the visit. */
import { memo } from 'preact/compat'
import { clockText } from '../../wording/units.ts'
import type { Snapshot } from '../snapshot-shape.ts'
import { unbroken } from './words.ts'

interface TallyProps extends Pick<Snapshot, 'board' | 'remaining'> {
  /** When the server was last heard of, where it does not answer now. */
  readonly lostAt: Date | undefined
}

export const TallyLine = memo(function TallyLine({ board, remaining, lostAt }: TallyProps) {
  const parts = unbroken(board.tally).split(' · ')
  const isLost = lostAt !== undefined
  const below = isLost ? `No answer from the server: as of ${clockText(lostAt.toISOString())}.` : remaining
  return (
    <section
      class={`tally ${board.ended && !isLost ? 'ended' : ''}`}
      aria-labelledby="tally-title"
      id="tally"
    >
      <h2 id="tally-title">
        {parts.map((part, at) => (
          <span key={part}>
            <span class={/attention/.test(part) ? 'hand' : ''}>{part}</span>
            {board.ended && at === 0 && '.'}
            {at < parts.length - 1 && <span class="soft">{'\u00a0'}· </span>}
          </span>
        ))}
      </h2>
      {!isLost && (
        <p class="save">
          {board.ended && (
            <a class="button" href="#printed">
              Compare digests
            </a>
          )}
          <a class={board.ended ? 'button main' : 'button'} href="/api/report?format=html" download>
            Save the report
          </a>
          <a class="button" href="/api/report?format=csv" download aria-label="Save the report as CSV">
            CSV
          </a>
        </p>
      )}
      {below !== null && <p class="remaining">{unbroken(below)}</p>}
    </section>
  )
})
