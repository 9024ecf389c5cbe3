/** The images, a row each: found by name, sorted, with the address and the form of their lines chosen once. */
import type { JSX } from 'preact'
import { memo } from 'preact/compat'
import { useState } from 'preact/hooks'
import { visible } from '../../wording/visible.ts'
import type { AddressView, PasteLine, ShownImage, Snapshot } from '../snapshot-shape.ts'
import { DropArea } from './drop-area.tsx'
import type { DropQueue } from './drops.ts'
import { ImageRow } from './image-row.tsx'
import type { LineChoice } from './lines.ts'
import { ChoiceField, SearchField, Section } from './parts.tsx'

interface ImagesProps {
  readonly images: readonly ShownImage[]
  readonly inAll: Snapshot['imagesInAll']
  readonly notOffered: Snapshot['notOffered']
  readonly drops: DropQueue
  readonly choice: LineChoice
  readonly chooser: JSX.Element
  /** What is looked for in their names; empty: all are shown. */
  readonly wanted: string
  readonly onWanted: (wanted: string) => void
  /** Opened, by name. */
  readonly opened: ReadonlySet<string>
  readonly onOpen: (name: string, open: boolean) => void
}

type Order = 'name' | 'state' | 'size'
const COMPARE: Readonly<Record<Order, (a: ShownImage, b: ShownImage) => number>> = {
  name: () => 0,
  size: (a, b) => b.bytes - a.bytes,
  state: (a, b) =>
    Number(a.state === 'ready') - Number(b.state === 'ready') || a.state.localeCompare(b.state, 'en'),
}

export const Images = memo(function Images(props: ImagesProps): JSX.Element {
  const { images, inAll, notOffered, wanted, opened, choice } = props
  const [order, setOrder] = useState<Order>('name')
  const found = images
    .filter((image) => visible(image.name).toLowerCase().includes(wanted.toLowerCase()))
    .sort(COMPARE[order])
  const tools = (
    <>
      {props.chooser}
      <SearchField label="Find by name" value={wanted} onValue={props.onWanted} />
      <ChoiceField label="Sort by" value={order} onValue={(chosen) => setOrder(chosen as Order)}>
        <option value="name">name</option>
        <option value="state">state</option>
        <option value="size">size</option>
      </ChoiceField>
    </>
  )
  return (
    <Section id="images" title="Images" aside={countText(inAll)} tools={images.length > 0 && tools}>
      {images.length > 0 && (
        <ul class="images" aria-label="Images">
          {found.map((image) => (
            <ImageRow
              key={image.name}
              image={image}
              choice={choice}
              open={opened.has(image.name)}
              onOpen={props.onOpen}
            />
          ))}
        </ul>
      )}
      {images.length > 0 && found.length === 0 && <p class="calm">No image has this in its name.</p>}
      <DropArea queue={props.drops} empty={images.length === 0} />
      {inAll.known > images.length && (
        <p class="calm">
          {images.length} of {inAll.known} images stand here, those that need attention first. The others are
          offered all the same; the command “fetchproof images” lists them.
        </p>
      )}
      {notOffered.length > 0 && (
        <p class="calm">
          Not offered: {notOffered.map(({ name, why }) => `${visible(name)} (${visible(why)})`).join('; ')}
        </p>
      )}
    </Section>
  )
})

function countText({ known, ready }: Snapshot['imagesInAll']): string {
  return known === 0 ? 'none yet' : `${ready} of ${known} ready`
}

interface ChooserProps {
  readonly offered: readonly AddressView[]
  readonly address: AddressView | undefined
  readonly onAddress: (address: string) => void
  readonly pasteLines: readonly PasteLine[]
  readonly form: number
  readonly onForm: (at: number) => void
}

/** Where devices reach this laptop, and what the lines look like: once for the page. */
export function LineChooser(props: ChooserProps): JSX.Element {
  const { offered, address, pasteLines } = props
  return (
    <>
      {offered.length > 0 && (
        <ChoiceField
          label="Devices reach this laptop at"
          value={address?.address ?? ''}
          onValue={props.onAddress}
        >
          {offered.map((own) => (
            <option key={own.address} value={own.address}>
              {own.address} in {own.cidr}
              {own.tunnel ? ' (a tunnel)' : ''}
            </option>
          ))}
        </ChoiceField>
      )}
      {pasteLines.length > 0 && (
        <ChoiceField
          label="Lines to paste"
          value={String(props.form)}
          onValue={(at) => props.onForm(Number(at))}
        >
          {[...pasteLines, null].map((each, at) => (
            <option key={each === null ? 'URL' : `${each.name} ${each.text}`} value={String(at)}>
              {each === null ? 'URL alone' : visible(each.name === '' ? each.text : each.name)}
            </option>
          ))}
        </ChoiceField>
      )}
    </>
  )
}
