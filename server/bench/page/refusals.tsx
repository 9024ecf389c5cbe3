/** Requests that got no image, and what would admit them. */
import type { JSX } from 'preact'
import { memo } from 'preact/compat'
import type { FetchRecord } from '../../delivery/records.ts'
import { refusalWords } from '../../wording/refusal-words.ts'
import { clockText } from '../../wording/units.ts'
import { Outside, Section, useShown } from './parts.tsx'

const FEW = 10

export const Refusals = memo(function Refusals({
  refusals,
}: {
  refusals: readonly FetchRecord[]
}): JSX.Element | null {
  const { shown, more } = useShown(refusals, FEW)
  if (refusals.length === 0) return null
  return (
    <Section id="refusals" title="Refused" aside="the latest">
      <ol class="ruled log">
        {shown.map((refusal) => (
          <li key={refusal.id}>
            <span class="when">{clockText(refusal.ended ?? refusal.begun)}</span>
            <div>
              <p>
                <Outside text={refusal.client.address} mono />{' '}
                {refusal.target !== null && (
                  <>
                    asked for <Outside text={refusal.target} mono />
                  </>
                )}
                {refusal.count > 1 && <span class="soft"> {refusal.count} times</span>}
              </p>
              <p>
                {refusal.status !== null && <span class="figure">{refusal.status} </span>}
                <Outside text={refusalWords(refusal)} />
              </p>
              <p class="soft">
                {refusal.userAgent !== null && (
                  <>
                    It calls itself <Outside text={refusal.userAgent} />.
                  </>
                )}
              </p>
            </div>
          </li>
        ))}
      </ol>
      {more}
    </Section>
  )
})
