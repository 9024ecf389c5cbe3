/** One image: what it is, how far it can be trusted, the lines to paste, and what a person may do about it. */
import type { JSX } from 'preact'
import { memo } from 'preact/compat'
import { standingText } from '../../report/image-view.ts'
import { bytesText, sizeText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import type { AddressView, ShownImage } from '../snapshot-shape.ts'
import { Act } from './act.tsx'
import { READING_MS } from './asking.ts'
import { useBench, useNow } from './context.ts'
import { HoldActs } from './hold-acts.tsx'
import { type LineForm, Lines } from './lines.tsx'
import { Bar, CopyLine, Outside } from './parts.tsx'
import { grouped, stateText } from './words.ts'

interface ImageEntryProps {
  readonly image: ShownImage
  readonly addresses: readonly AddressView[]
  readonly form: LineForm
  readonly takesChecksums: boolean
}

/** Brings the image into view and the keyboard to it; false when it does not stand on the page. */
export function showImage(name: string): boolean {
  const heading = document.getElementById(headingId(name))
  heading?.scrollIntoView({ block: 'center' })
  heading?.focus({ preventScroll: true })
  return heading !== null
}

/** For when the button that was pressed goes away: the keyboard would be back at the top of the page. */
function focusImage(name: string): void {
  document.getElementById(headingId(name))?.focus({ preventScroll: true })
}

function headingId(name: string): string {
  return `image-${encodeURIComponent(name)}`
}

export const ImageEntry = memo(function ImageEntry(props: ImageEntryProps): JSX.Element {
  const { image } = props
  return (
    <article class={`image ${image.state}`} aria-labelledby={headingId(image.name)}>
      <div class="image-head">
        <h3 id={headingId(image.name)} tabIndex={-1}>
          <Outside text={image.name} mono />
        </h3>
        <ImageState image={image} />
      </div>
      {image.reason !== null && image.state !== 'ready' && (
        <p class="reason">
          <Outside text={image.reason} />
        </p>
      )}
      {image.state === 'reading' && (
        <Bar share={image.progress ?? 0} label={`How far ${visible(image.name)} has been read`} />
      )}
      <Facts image={image} />
      {image.state === 'ready' && <Lines image={image} addresses={props.addresses} form={props.form} />}
      <Deeds image={image} takesChecksums={props.takesChecksums} />
    </article>
  )
})

function ImageState({ image }: { image: ShownImage }): JSX.Element {
  const { ask, mayChange, answer } = useBench()
  const now = useNow(image.state === 'settling')
  const hurry = (): void => {
    ask('/api/ready-now', { name: image.name }).then(
      () => focusImage(image.name),
      (error: Error) => answer(error.message),
    )
  }
  return (
    <p class="state">
      <span class={`stamp ${image.state}`}>{stateText(image, now)}</span>
      {image.state === 'settling' && mayChange && (
        <button type="button" class="quiet" aria-label={`Ready now (${visible(image.name)})`} onClick={hurry}>
          ready now
        </button>
      )}
    </p>
  )
}

function Facts({ image }: { image: ShownImage }): JSX.Element {
  const { published, format, lifted } = image
  return (
    <>
      <dl class="facts">
        <div>
          <dt>Bytes</dt>
          <dd>
            <span class="figure">{bytesText(image.bytes)}</span>
            {image.bytes >= 1000 && <span class="soft"> {sizeText(image.bytes)}</span>}
          </dd>
        </div>
        <div>
          <dt>SHA-256</dt>
          <dd>{image.sha256 === null ? 'not read yet' : <Digest hex={image.sha256} name={image.name} />}</dd>
        </div>
        <div>
          <dt>Published checksum</dt>
          <dd>
            <Outside text={image.sha256 === null ? 'not compared yet' : standingText(published)} />
          </dd>
        </div>
        <div>
          <dt>Format</dt>
          <dd>
            <Outside text={formatText(format)} />
          </dd>
        </div>
      </dl>
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
    </>
  )
}

function Digest({ hex, name }: { hex: string; name: string }): JSX.Element {
  return (
    <details class="digest">
      <summary aria-label={`${hex.slice(0, 12)} whole: the SHA-256 of ${visible(name)}`}>
        <span class="mono">{hex.slice(0, 12)}</span> <span class="soft">whole</span>
      </summary>
      <p class="mono groups">
        {grouped(hex).map((group, at) => (
          <span key={at}>{group} </span>
        ))}
      </p>
      <CopyLine line={hex} label={`the SHA-256 of ${visible(name)}`} />
    </details>
  )
}

function formatText({ kind, verdict, detail }: ShownImage['format']): string {
  if (verdict === 'unknown') return 'unknown: nothing in it to check'
  return `${kind}, ${verdict}${detail === undefined ? '' : `: ${detail}`}`
}

function Deeds({ image, takesChecksums }: { image: ShownImage; takesChecksums: boolean }): JSX.Element {
  const { ask } = useBench()
  const { name } = image
  return (
    <div class="deeds">
      {takesChecksums && image.sha256 !== null && (
        <Act
          opener="paste the maker’s checksum"
          about={visible(name)}
          label="What the maker publishes for this file"
          hint="A digest, or the lines that hold it: MD5, SHA-1, SHA-256 or SHA-512."
          submit="Compare it"
          done="Compared; the image says how it stands."
          act={(text) => ask('/api/published', { name, text }, READING_MS)}
        />
      )}
      <HoldActs image={image} onGone={() => focusImage(name)} />
    </div>
  )
}
