/** What a person recorded by hand, each to be taken back where it was a mistake. */
import type { JSX } from 'preact'
import { memo } from 'preact/compat'
import { clockText } from '../../wording/units.ts'
import type { RecordedView } from '../snapshot-shape.ts'
import { Act } from './act.tsx'
import { useBench } from './context.ts'
import { Outside, Section } from './parts.tsx'

export const Recorded = memo(function Recorded({
  recorded,
}: {
  recorded: readonly RecordedView[]
}): JSX.Element | null {
  const { ask } = useBench()
  if (recorded.length === 0) return null
  return (
    <Section id="recorded" title="Recorded by hand">
      <ul class="ruled rows">
        {recorded.map(({ seq, at, text }) => (
          <li key={seq}>
            <span class="figure">{clockText(at)}</span> <Outside text={text} />
            <Act
              opener="take it back"
              about={`entry ${seq}`}
              label="Why was it a mistake?"
              hint="Both stay in the ledger; nothing is concluded from it any more."
              submit="Take it back"
              done="It is taken back."
              act={(reason) => ask('/api/strike', { seq, reason })}
            />
          </li>
        ))}
      </ul>
    </Section>
  )
})
