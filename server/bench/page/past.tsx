/** What has happened: recorded by hand, pulls that are over, requests that got no image. */
import { memo } from 'preact/compat'
import type { FetchRecord, PullRecord } from '../../delivery/records.ts'
import { refusalWords } from '../../wording/refusal-words.ts'
import { clockText, durationText, rateText, sizeText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import type { Snapshot } from '../snapshot-shape.ts'
import { Act } from './act.tsx'
import { pullKey } from './announcements.ts'
import { useBench } from './context.ts'
import { Outside, Section, useShown } from './parts.tsx'
import { pullMeaning } from './words.ts'

const FEW_PULLS = 20
const FEW_REFUSALS = 10

/** Each to be taken back where it was a mistake. */
export const Recorded = memo(function Recorded({ recorded }: Pick<Snapshot, 'recorded'>) {
  const { ask } = useBench()
  if (recorded.length === 0) return null
  return (
    <Section id="recorded" title="Recorded by hand">
      <ul class="ruled">
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

type PullsOverProps = Pick<Snapshot, 'pulls' | 'wrongPulls' | 'pullsOver' | 'fetches'>

export const PullsOver = memo(function PullsOver(props: PullsOverProps) {
  const { pulls, wrongPulls, pullsOver, fetches } = props
  const { shown, more } = useShown(pulls, FEW_PULLS)
  const byId = new Map(fetches.map((fetch) => [fetch.id, fetch]))
  return (
    <Section id="pulls" title="Finished pulls" aside={pullsOver === 0 ? undefined : String(pullsOver)}>
      {pulls.length === 0 ? (
        <p class="calm">None yet. What has been pulled, by whom and how it ended will stand here.</p>
      ) : (
        <>
          <p class="hint">
            This is what left the laptop and what the device took. What a device installed, only it can say.
          </p>
          <ol class="ruled log">
            {shown.map((pull) => (
              <PullOver
                key={pullKey(pull)}
                pull={pull}
                isWrong={wrongPulls.includes(pullKey(pull))}
                lastFetch={byId.get(pull.fetches.at(-1) ?? '')}
              />
            ))}
          </ol>
          {more}
          {pullsOver > pulls.length && (
            <p class="hint">
              The latest {pulls.length} of {pullsOver}; "fetchproof audit" lists all of them.
            </p>
          )}
        </>
      )}
    </Section>
  )
})

interface PullOverProps {
  readonly pull: PullRecord
  readonly isWrong: boolean
  readonly lastFetch: FetchRecord | undefined
}

function PullOver({ pull, isWrong, lastFetch }: PullOverProps) {
  const { client, image } = pull
  return (
    <li class="pull">
      <span class="when">{clockText(pull.ended ?? pull.begun)}</span>
      <div>
        <p class="pull-head">
          <span>
            {client.device !== null && <Outside text={client.device} />}{' '}
            <Outside text={client.address} mono />
            {client.mac !== null && <span class="soft mono"> {visible(client.mac)}</span>}
          </span>
          <span>
            {isWrong && <span class="stamp held">wrong image</span>} <Outside text={image.name} mono />
          </span>
        </p>
        <p>
          <span class={pull.state === 'incomplete' ? 'stamp held' : 'stamp'}>{pull.state}</span>{' '}
          {pullMeaning(pull, lastFetch)}
        </p>
        <p class="soft figures">
          <span>{sizeText(image.bytes)}</span>
          {pull.seconds !== null && <span>{durationText(pull.seconds)}</span>}
          {pull.bytesPerSecond !== null && <span>{rateText(pull.bytesPerSecond)}</span>}
          <span>
            SHA-256 <span class="mono">{image.sha256.slice(0, 12)}</span>
          </span>
          {pull.notes.map((note) => (
            <Outside key={note} text={note} />
          ))}
        </p>
      </div>
    </li>
  )
}

export const Refusals = memo(function Refusals({ refusals }: Pick<Snapshot, 'refusals'>) {
  const { shown, more } = useShown(refusals, FEW_REFUSALS)
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
