/** Finished pulls. */
import type { JSX } from 'preact'
import { memo } from 'preact/compat'
import type { FetchRecord, PullRecord } from '../../delivery/records.ts'
import { clockText, durationText, rateText, sizeText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import type { Snapshot } from '../snapshot-shape.ts'
import { pullKey } from './announcements.ts'
import { Outside, Section, useShown } from './parts.tsx'
import { pullMeaning } from './words.ts'

function PullHead({ pull, wrong }: { pull: PullRecord; wrong: boolean }): JSX.Element {
  const { client, image } = pull
  return (
    <p class="pull-head">
      <span class="client">
        {client.device !== null && (
          <>
            <Outside text={client.device} />{' '}
          </>
        )}
        <Outside text={client.address} mono />
        {client.mac !== null && <span class="soft mono"> {visible(client.mac)}</span>}
      </span>
      <span>
        {wrong && <span class="stamp held">wrong image</span>} <Outside text={image.name} mono />
      </span>
    </p>
  )
}

interface PullsOverProps {
  readonly pulls: readonly PullRecord[]
  readonly wrong: Snapshot['wrongPulls']
  readonly inAll: number
  readonly fetches: readonly FetchRecord[]
}

const FEW = 20

export const PullsOver = memo(function PullsOver({
  pulls,
  wrong,
  inAll,
  fetches,
}: PullsOverProps): JSX.Element {
  const { shown, more } = useShown(pulls, FEW)
  const byId = new Map(fetches.map((fetch) => [fetch.id, fetch]))
  return (
    <Section id="pulls" title="Finished pulls" aside={inAll === 0 ? undefined : String(inAll)}>
      {pulls.length === 0 ? (
        <p class="calm">None yet. What has been pulled, by whom and how it ended will stand here.</p>
      ) : (
        <>
          <p class="hint">
            This is what left the laptop and what the device took. What a device installed, only it can say.
          </p>
          <ol class="ruled log">
            {shown.map((pull) => (
              <OverRow
                key={pullKey(pull)}
                pull={pull}
                wrong={wrong.includes(pullKey(pull))}
                lastFetch={byId.get(pull.fetches.at(-1) ?? '')}
              />
            ))}
          </ol>
          {more}
          {inAll > pulls.length && (
            <p class="hint">
              The latest {pulls.length} of {inAll}; "fetchproof audit" lists all of them.
            </p>
          )}
        </>
      )}
    </Section>
  )
})

interface OverRowProps {
  readonly pull: PullRecord
  readonly wrong: boolean
  readonly lastFetch: FetchRecord | undefined
}

function OverRow({ pull, wrong, lastFetch }: OverRowProps): JSX.Element {
  const needsHand = pull.state === 'incomplete'
  return (
    <li class={`pull over ${needsHand ? 'hand' : ''}`}>
      <span class="when">{clockText(pull.ended ?? pull.begun)}</span>
      <div>
        <PullHead pull={pull} wrong={wrong} />
        <p>
          <span class={`stamp ${needsHand ? 'held' : ''}`}>{pull.state}</span> {pullMeaning(pull, lastFetch)}
        </p>
        <p class="soft figures">
          <span>{sizeText(pull.image.bytes)}</span>
          {pull.seconds !== null && <span>{durationText(pull.seconds)}</span>}
          {pull.bytesPerSecond !== null && <span>{rateText(pull.bytesPerSecond)}</span>}
          <span>
            SHA-256 <span class="mono">{pull.image.sha256.slice(0, 12)}</span>
          </span>
          {pull.notes.map((note) => (
            <Outside key={note} text={note} />
          ))}
        </p>
      </div>
    </li>
  )
}
