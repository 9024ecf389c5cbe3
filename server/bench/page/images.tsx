/** The images, a row each: found by name, sorted, with the address and the form of their lines chosen once. */
import type { JSX } from 'preact'
import { memo } from 'preact/compat'
import { useCallback, useLayoutEffect, useMemo, useState } from 'preact/hooks'
import { visible } from '../../wording/visible.ts'
import type { ShownImage, Snapshot } from '../snapshot-shape.ts'
import { DropArea } from './drop-area.tsx'
import { focusImage, ImageRow } from './image-row.tsx'
import { type LineChoice, offeredOf } from './lines.ts'
import { ChoiceField, SearchField, Section } from './parts.tsx'

export interface ImagesProps extends Pick<Snapshot, 'images' | 'imagesInAll' | 'notOffered' | 'unused'> {
  readonly choice: LineChoice
  readonly chooser: JSX.Element
  /** Which image is to be shown; another object each time that one is asked for. */
  readonly sought: { readonly name: string } | undefined
}

const COMPARE = {
  name: () => 0,
  state: (a, b) =>
    Number(a.state === 'ready') - Number(b.state === 'ready') || a.state.localeCompare(b.state, 'en'),
  size: (a, b) => b.bytes - a.bytes,
} satisfies Record<string, (a: ShownImage, b: ShownImage) => number>
type Order = keyof typeof COMPARE

export const Images = memo(function Images(props: ImagesProps) {
  // Long: the fields and what they choose from.
  const { images, imagesInAll, notOffered, choice, chooser, sought } = props
  // What concerns one image stands with its notes.
  const unused = props.unused.filter(({ image }) => image === undefined)
  const [order, setOrder] = useState<Order>('name')
  const [wanted, setWanted] = useState('')
  const [opened, setOpened] = useState<ReadonlySet<string>>(new Set())
  const found = images
    .filter((image) => visible(image.name).toLowerCase().includes(wanted.toLowerCase()))
    .sort(COMPARE[order])

  // The same from one drawing to the next, or five hundred rows were drawn again with each image that changes.
  const open = useCallback((name: string, whether: boolean): void => {
    setOpened(
      (before) => new Set(whether ? [...before, name] : [...before].filter((other) => other !== name)),
    )
  }, [])

  useLayoutEffect(() => {
    if (sought === undefined) return
    // Whatever was looked for.
    setWanted('')
    open(sought.name, true)
    setTimeout(() => focusImage(sought.name)?.scrollIntoView({ block: 'center' }))
  }, [sought, open])

  const tools = (
    <>
      {chooser}
      <SearchField label="Find by name" value={wanted} onValue={setWanted} />
      <ChoiceField label="Sort by" value={order} onValue={(chosen) => setOrder(chosen as Order)}>
        {Object.keys(COMPARE).map((each) => (
          <option key={each}>{each}</option>
        ))}
      </ChoiceField>
    </>
  )
  return (
    <Section id="images" title="Images" aside={countText(imagesInAll)} tools={images.length > 0 && tools}>
      {images.length > 0 && (
        <ul class="images" aria-label="Images">
          {found.map((image) => (
            <ImageRow
              key={image.name}
              image={image}
              choice={choice}
              open={opened.has(image.name)}
              onOpen={open}
            />
          ))}
        </ul>
      )}
      {images.length > 0 && found.length === 0 && <p class="calm">No image has this in its name.</p>}
      <DropArea empty={images.length === 0} />
      {imagesInAll.known > images.length && (
        <p class="calm">
          {images.length} of {imagesInAll.known} images stand here, those that need attention first. The
          others are offered all the same; the command “fetchproof images” lists them.
        </p>
      )}
      {notOffered.length > 0 && (
        <p class="calm">
          Not offered: {notOffered.map(({ name, why }) => `${visible(name)} (${visible(why)})`).join('; ')}
        </p>
      )}
      {unused.length > 0 && (
        <details class="calm">
          <summary>Not used of checksum texts: {unused.length}</summary>
          <ul>
            {unused.map(({ file, line, reason }) => (
              <li key={`${line} ${reason} ${file}`}>
                {visible(file)}
                {line > 0 && `, line ${line}`}: {visible(reason)}
              </li>
            ))}
          </ul>
        </details>
      )}
    </Section>
  )
})

function countText({ known, ready }: Snapshot['imagesInAll']): string {
  return known === 0 ? 'none yet' : `${ready} of ${known} ready`
}

const URL_ALONE = { name: 'URL alone', text: '{url}' }

/** Where devices reach this laptop, and what the lines look like: once for the page. */
export function useLineChoice(addresses: Snapshot['addresses'], pasteLines: Snapshot['pasteLines']) {
  const [chosen, setChosen] = useState('')
  const [at, setAt] = useState(0)
  return useMemo(() => {
    const offered = offeredOf(addresses)
    const address = offered.find((own) => own.address === chosen) ?? offered[0]
    const forms = [...pasteLines, URL_ALONE]
    const choice: LineChoice = { form: (forms[at] ?? URL_ALONE).text, address, addresses }
    const chooser = (
      <>
        {address !== undefined && (
          <ChoiceField label="Devices reach this laptop at" value={address.address} onValue={setChosen}>
            {offered.map((own) => (
              <option key={own.address} value={own.address}>
                {own.address} in {own.cidr}
                {own.tunnel ? ' (a tunnel)' : ''}
              </option>
            ))}
          </ChoiceField>
        )}
        {pasteLines.length > 0 && (
          <ChoiceField label="Lines to paste" value={String(at)} onValue={(value) => setAt(Number(value))}>
            {forms.map(({ name, text }, index) => (
              <option key={`${name} ${text}`} value={String(index)}>
                {visible(name === '' ? text : name)}
              </option>
            ))}
          </ChoiceField>
        )}
      </>
    )
    return { choice, chooser }
  }, [addresses, pasteLines, chosen, at])
}
