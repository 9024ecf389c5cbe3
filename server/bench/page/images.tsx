/** The images, with a way to find one among many and to choose what the lines to paste look like. */
import type { JSX } from 'preact'
import { useId, useState } from 'preact/hooks'
import { visible } from '../../wording/visible.ts'
import type { AddressView, PasteLine, ShownImage, Snapshot } from '../snapshot-shape.ts'
import { DropArea } from './drop-area.tsx'
import type { DropQueue } from './drops.ts'
import { ImageEntry } from './image-entry.tsx'
import type { LineForm } from './lines.tsx'
import { Section } from './parts.tsx'

interface ImagesProps {
  readonly images: readonly ShownImage[]
  readonly inAll: Snapshot['imagesInAll']
  readonly notOffered: Snapshot['notOffered']
  readonly addresses: readonly AddressView[]
  readonly pasteLines: readonly PasteLine[]
  readonly takesChecksums: boolean
  readonly drops: DropQueue
  /** What is looked for in their names; empty: all are shown. */
  readonly wanted: string
  readonly onWanted: (wanted: string) => void
}

/** Fewer are found faster by eye. */
const SEARCH_FROM = 9

export function Images(props: ImagesProps): JSX.Element {
  const { images, inAll, notOffered, addresses, pasteLines, wanted } = props
  // Where the images become fewer, what hides most of them must stay in sight.
  const search = images.length >= SEARCH_FROM || wanted !== ''
  const [chosen, setChosen] = useState(0)
  const id = useId()
  const forms: readonly LineForm[] = [...pasteLines, null]
  const form = forms[chosen] ?? null
  const found = images.filter((image) => visible(image.name).toLowerCase().includes(wanted.toLowerCase()))
  return (
    <Section id="images" title="Images" aside={countText(inAll)}>
      <DropArea queue={props.drops} empty={images.length === 0} />
      {(search || pasteLines.length > 0) && (
        <div class="tools">
          {search && (
            <label for={`${id}-search`}>
              Find by name
              <input
                id={`${id}-search`}
                type="search"
                value={wanted}
                onInput={(event) => props.onWanted(event.currentTarget.value)}
              />
            </label>
          )}
          {pasteLines.length > 0 && (
            <label for={`${id}-form`}>
              Lines to paste
              <select
                id={`${id}-form`}
                value={String(chosen)}
                onChange={(event) => setChosen(Number(event.currentTarget.value))}
              >
                {forms.map((each, at) => (
                  <option key={each === null ? 'URL' : `${each.name} ${each.text}`} value={String(at)}>
                    {each === null ? 'URL alone' : visible(each.name === '' ? each.text : each.name)}
                  </option>
                ))}
              </select>
            </label>
          )}
        </div>
      )}
      {found.map((image) => (
        <ImageEntry
          key={image.name}
          image={image}
          addresses={addresses}
          form={form}
          takesChecksums={props.takesChecksums}
        />
      ))}
      {inAll.known > images.length && (
        <p class="calm">
          {images.length} of {inAll.known} images stand here, those that need a hand first. Those left out are
          offered all the same; the command “fetchproof images” lists them.
        </p>
      )}
      {notOffered.length > 0 && (
        <p class="calm">
          Not offered: {notOffered.map(({ name, why }) => `${visible(name)} (${visible(why)})`).join('; ')}
        </p>
      )}
      {images.length > 0 && found.length === 0 && <p class="calm">No image has this in its name.</p>}
    </Section>
  )
}

function countText({ known, ready }: Snapshot['imagesInAll']): string {
  return known === 0 ? 'none yet' : `${ready} of ${known} ready`
}
