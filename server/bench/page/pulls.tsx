/** Pulls under way and pulls that are over. */
import type { JSX } from 'preact'
import type { LivePull } from '../../delivery/live-pulls.ts'
import type { FetchRecord, PullRecord } from '../../delivery/records.ts'
import { bytesText, clockText, durationText, rateText, sizeText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import { clientName, pullKey } from './headlines.ts'
import { Bar, Outside, Section, useShown } from './parts.tsx'
import { movementText, pullWords } from './words.ts'

interface UnderWayProps {
  readonly pulls: readonly LivePull[]
  /** Pulls of what is not planned for their device, by their first fetch. */
  readonly wrong: ReadonlySet<string>
  readonly stalledMs: number
}

export function UnderWay({ pulls, wrong, stalledMs }: UnderWayProps): JSX.Element {
  return (
    <Section
      id="under-way"
      title="Pulls under way"
      aside={pulls.length === 0 ? undefined : String(pulls.length)}
    >
      {pulls.length === 0 ? (
        <p class="calm">None at this moment.</p>
      ) : (
        <ul class="ruled">
          {pulls.map((pull) => (
            <UnderWayRow
              key={pullKey(pull)}
              pull={pull}
              wrong={wrong.has(pullKey(pull))}
              stalledMs={stalledMs}
            />
          ))}
        </ul>
      )}
    </Section>
  )
}

interface UnderWayRowProps {
  readonly pull: LivePull
  readonly wrong: boolean
  readonly stalledMs: number
}

function UnderWayRow({ pull, wrong, stalledMs }: UnderWayRowProps): JSX.Element {
  const share = pull.image.bytes === 0 ? 1 : pull.bytesNow / pull.image.bytes
  const percent = Math.floor(share * 100)
  return (
    <li class={`pull ${(pull.movement ?? 'recording').split(' ')[0]} ${wrong ? 'wrong' : ''}`}>
      <PullHead pull={pull} wrong={wrong} />
      <Bar share={share} label={`${clientName(pull)} has ${percent} % of ${visible(pull.image.name)}`} />
      <p class="figures">
        <span class="figure">{percent} %</span>
        <span class="figure">
          {bytesText(pull.bytesNow)} of {bytesText(pull.image.bytes)} bytes
        </span>
        {pull.rateNow !== undefined && <span class="figure">{rateText(pull.rateNow)}</span>}
        {pull.secondsLeft !== undefined && <span class="figure">{leftText(pull.secondsLeft)}</span>}
      </p>
      <p class="movement">
        {movementText(pull, stalledMs)}
        <PullNotes pull={pull} />
      </p>
    </li>
  )
}

/** Whole seconds: a tenth would be pretended. */
function leftText(seconds: number): string {
  return seconds < 10 ? `about ${Math.ceil(seconds)} s left` : `about ${durationText(seconds)} left`
}

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

function PullNotes({ pull }: { pull: PullRecord }): JSX.Element {
  return (
    <>
      {pull.notes.map((note) => (
        <span key={note}>
          {'; '}
          <Outside text={note} />
        </span>
      ))}
    </>
  )
}

interface PullsOverProps {
  readonly pulls: readonly PullRecord[]
  readonly wrong: ReadonlySet<string>
  readonly inAll: number
  readonly fetches: readonly FetchRecord[]
}

const FEW = 20

export function PullsOver({ pulls, wrong, inAll, fetches }: PullsOverProps): JSX.Element {
  const { shown, more } = useShown(pulls, FEW)
  const byId = new Map(fetches.map((fetch) => [fetch.id, fetch]))
  return (
    <Section id="pulls" title="Pulls that are over" aside={inAll === 0 ? undefined : String(inAll)}>
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
                wrong={wrong.has(pullKey(pull))}
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
}

interface OverRowProps {
  readonly pull: PullRecord
  readonly wrong: boolean
  readonly lastFetch: FetchRecord | undefined
}

function OverRow({ pull, wrong, lastFetch }: OverRowProps): JSX.Element {
  const words = pullWords(pull, lastFetch)
  return (
    <li class={`pull over ${words.needsHand ? 'hand' : ''}`}>
      <span class="when">{clockText(pull.ended ?? pull.begun)}</span>
      <div>
        <PullHead pull={pull} wrong={wrong} />
        <p>
          <span class={`stamp ${words.needsHand ? 'held' : ''}`}>{words.state}</span> {words.meaning}
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
