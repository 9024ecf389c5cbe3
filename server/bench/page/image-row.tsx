/** One image: one line, and opened its digests, paths, notes and what a person may do about it. */
import { memo } from 'preact/compat'
import { standingText } from '../../report/image-view.ts'
import { algorithmText, guardsAccidentOnly } from '../../trust/digests/algorithm.ts'
import { formatWords } from '../../wording/format-words.ts'
import { bytesText, sizeText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import type { ShownImage } from '../snapshot-shape.ts'
import { Act } from './act.tsx'
import { READING_MS } from './answers.ts'
import { useBench, useNow } from './context.ts'
import { isFirstDoor, type LineChoice, lineFor, linesBy, offeredOf } from './lines.ts'
import { MarkOf, type Shape } from './marks.tsx'
import { Bar, CopyLine, Facts, Outside } from './parts.tsx'
import { stateText } from './words.ts'

interface ImageRowProps {
  readonly image: ShownImage
  readonly choice: LineChoice
  readonly open: boolean
  readonly onOpen: (name: string, open: boolean) => void
}

/** Puts the keyboard on it, where it stands on the page. */
export function focusImage(name: string): HTMLElement | null {
  const button = document.getElementById(nameId(name))
  button?.focus({ preventScroll: true })
  return button
}

function nameId(name: string): string {
  return `image-${encodeURIComponent(name)}`
}

export const ImageRow = memo(function ImageRow(props: ImageRowProps) {
  const { image, choice, open, onOpen } = props
  const { name, state, reason } = image
  const line = lineFor(image, choice.address, choice.form)
  return (
    <li class={`image ${state}`} aria-labelledby={nameId(name)}>
      <div class="image-row">
        <ImageMark image={image} />
        <span class="what">
          <button
            type="button"
            class="name mono"
            id={nameId(name)}
            aria-expanded={open}
            title={visible(name)}
            onClick={() => onOpen(name, !open)}
          >
            <Outside text={name} />
          </button>
        </span>
        <span class="figure size">{sizeText(image.bytes)}</span>
        {line === undefined ? (
          <span class="reason" title={reason === null ? undefined : visible(reason)}>
            <Hurry image={image} />
            {state === 'reading' && (
              <Bar share={image.progress ?? 0} label={`How far ${visible(name)} has been read`} />
            )}
            {state !== 'ready' && reason !== null && <Outside text={reason} />}
          </span>
        ) : (
          <CopyLine line={line} label={`the line for ${visible(name)}`} />
        )}
      </div>
      {open && <Detail {...props} />}
    </li>
  )
})

function ImageMark({ image }: { image: ShownImage }) {
  const now = useNow(image.state === 'settling')
  return <MarkOf {...trustOf(image, now)} />
}

/** Three kinds of trust in what is served; of what is not, its state. */
function trustOf(image: ShownImage, now: number): { shape: Shape; word: string } {
  if (image.state === 'held') return { shape: 'warning', word: 'held' }
  if (image.state !== 'ready') return { shape: 'ring', word: stateText(image, now) }
  const { standing, algorithm } = image.published
  if (image.lifted !== null) {
    return { shape: 'half', word: standing === 'differs' ? 'lifted although it differs' : 'lifted' }
  }
  if (standing !== 'matches') return { shape: 'dash', word: 'nothing to check against' }
  const weak = algorithm !== undefined && guardsAccidentOnly(algorithm)
  return { shape: 'tick', word: weak ? `checked by ${algorithmText(algorithm)}` : 'checked' }
}

function Hurry({ image }: { image: ShownImage }) {
  const { ask, mayChange, answer } = useBench()
  if (image.state !== 'settling' || !mayChange) return null
  const hurry = (): void => {
    ask('/api/ready-now', { name: image.name }).then(
      () => focusImage(image.name),
      (error: Error) => answer(error.message),
    )
  }
  return (
    <button
      type="button"
      class="quiet hurry"
      aria-label={`Ready now (${visible(image.name)})`}
      onClick={hurry}
    >
      ready now
    </button>
  )
}

function Detail({ image, choice }: ImageRowProps) {
  const { published, lifted, state, reason } = image
  return (
    <div class="below">
      {reason !== null && state !== 'ready' && (
        <p class={state === 'held' ? 'warning' : ''}>
          <Outside text={reason} />
        </p>
      )}
      <Facts
        known={{
          State: state,
          Bytes: bytesText(image.bytes),
          'Published checksum': image.sha256 === null ? 'not compared yet' : standingText(published),
          Format: formatWords(image.format),
        }}
      />
      <Digests image={image} />
      {(image.notes.length > 0 || lifted !== null) && (
        <ul class="notes">
          {lifted !== null && (
            <li>
              Hold lifted by <Outside text={lifted.by} />: <Outside text={lifted.reason} />
            </li>
          )}
          {image.notes.map((note) => (
            <li key={note}>
              <Outside text={note} />
            </li>
          ))}
        </ul>
      )}
      <Paths image={image} choice={choice} />
      <ImageActions image={image} />
    </div>
  )
}

/** At full width: they are compared digit by digit. */
function Digests({ image }: { image: ShownImage }) {
  const { sha256, md5, digests } = image
  if (sha256 === null) return <p class="soft">Its digests are not known yet.</p>
  const all = Object.entries({ sha256, ...(md5 !== null && { md5 }), ...digests })
  return (
    <dl class="digests">
      {all.map(([algorithm, hex]) => (
        <div key={algorithm}>
          <dt>{algorithmText(algorithm)}</dt>
          <dd>
            <CopyLine line={hex} label={`the ${algorithmText(algorithm)} of ${visible(image.name)}`} />
          </dd>
        </div>
      ))}
    </dl>
  )
}

/** All lines by which it can be had: each address and port, the plain path and the one named by its digest. */
function Paths({ image, choice }: { image: ShownImage; choice: LineChoice }) {
  const lines = offeredOf(choice.addresses).flatMap((own) =>
    own.urls.flatMap((base) =>
      [image.plainPath, ...(image.digestPath === null ? [] : [image.digestPath])].flatMap((path) =>
        linesBy(image, own, choice.form, { path, base }).map((line) => ({ own, base, line, path })),
      ),
    ),
  )
  if (lines.length === 0) return null
  return (
    <ul class="paths" aria-label={`Lines to paste for ${visible(image.name)}`}>
      {lines.map(({ own, base, line, path }) => (
        <li key={line}>
          <span class="from">
            {own.cidr}
            {isFirstDoor(own, base) ? '' : `, by ${base.door.toUpperCase()}`}
            {path === image.digestPath ? ', named by its digest' : ''}
          </span>
          <CopyLine line={line} label={`${visible(line)}`} />
        </li>
      ))}
    </ul>
  )
}

function ImageActions({ image }: { image: ShownImage }) {
  const { ask } = useBench()
  const { name, state, sha256 } = image
  const about = visible(name)
  // The button that was pressed goes away: the keyboard would be back at the top of the page.
  const onDone = () => focusImage(name)
  if (sha256 === null) return <div class="deeds" />
  return (
    <div class="deeds">
      <Act
        opener="paste the maker’s checksum"
        about={about}
        label="What the maker publishes for this file"
        hint="A digest, or the lines that hold it: MD5, SHA-1, SHA-256 or SHA-512."
        submit="Compare it"
        done="Compared; the image says how it stands."
        act={(text) => ask('/api/published', { name, text }, READING_MS)}
      />
      {state === 'held' && (
        <Act
          opener="lift the hold"
          about={about}
          label="Why may this image be served all the same?"
          hint="It is held for a reason that stands above. Your name and your words go into the ledger, for this version and this reason alone."
          submit="Lift the hold"
          done="The hold is lifted."
          act={(reason) => ask('/api/lift', { name, reason })}
          onDone={onDone}
        />
      )}
      {state === 'ready' && (
        <Act
          opener="hold it back"
          about={about}
          label="Why must this image not be served?"
          hint="No device can fetch it then, and fetches of it that are in progress are reset. Your name and your words go into the ledger."
          submit="Hold it back"
          done="It is held."
          act={(reason) => ask('/api/hold', { name, reason })}
          onDone={onDone}
        />
      )}
    </div>
  )
}
