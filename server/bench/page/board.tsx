/** The board: a row a device, with a filter by text and by standing. */
import { cloneElement } from 'preact'
import { useMemo, useState } from 'preact/hooks'
import { MARK_WORDS, MARKS, type Mark } from '../../wording/marks.ts'
import { visible } from '../../wording/visible.ts'
import type { BoardRow, ShownImage, Snapshot } from '../snapshot-shape.ts'
import { pullKey } from './announcements.ts'
import { DeviceRow } from './board-row.tsx'
import { useBench } from './context.ts'
import { FootnoteList, footnotesOf } from './footnotes.tsx'
import { deviceLine, type LineChoice } from './lines.ts'
import { ChoiceField, SearchField, Section } from './parts.tsx'

interface BoardProps extends Pick<Snapshot, 'board' | 'underWay' | 'images'> {
  readonly choice: LineChoice
}

const GUESS = 'A guess from the name of the image.'

/** Of the columns; the two of a bar and of where it stands have none. */
const HEADS = ['Standing', 'Device', 'Image', 'Pulled', '', '', 'Version', 'Line to paste']

export function Board({ board, underWay, images, choice }: BoardProps) {
  const { shown, filter } = useFilter(board.rows)
  const notes = useMemo(() => footnotesOf(board.rows.map(saidOf)), [board])
  const byName = useMemo(() => imagesByName(images), [images])
  // Three hundred of them, and a few move with each byte.
  const rows = useMemo(
    () =>
      shown.map((row) => (
        <DeviceRow
          key={row.key}
          row={row}
          line={deviceLine(byName.get(row.image ?? ''), row.own, choice)}
          notes={notes.numbersOf(row.remarks)}
          guess={row.targetGuessed ? notes.numbersOf([GUESS]) : ''}
        />
      )),
    [shown, byName, notes, choice],
  )
  const live = new Map(underWay.map((pull) => [pullKey(pull), pull]))
  return (
    <Section
      id="devices"
      title="Devices"
      aside={board.sheet === null ? 'no visit sheet: those that came' : visible(board.sheet)}
      tools={board.rows.length > 0 && filter}
    >
      {board.rows.length === 0 ? (
        <p class="calm">
          None yet. Put visit.csv into the staging folder to see who is still to come, or paste a line below
          on a device: it appears here when it asks.
        </p>
      ) : (
        <>
          <div class="board-row heads" aria-hidden="true">
            {HEADS.map((head, at) => (
              <span key={at}>{head}</span>
            ))}
          </div>
          <ul class="board" aria-label="Devices">
            {rows.map((row) => {
              const moving = live.get(row.props.row.pull?.id ?? '')
              return moving === undefined ? row : cloneElement(row, { live: moving })
            })}
          </ul>
          {rows.length === 0 && <p class="calm">No device matches.</p>}
          <p class="hint">
            A stalled device may be erasing its flash, which takes minutes: keep its power on. What a device
            installed, only the device can say.
          </p>
          <FootnoteList notes={notes} />
          {board.sheet === null && <SaveSheet />}
        </>
      )}
    </Section>
  )
}

/** What stands on the row itself where no other row says the same. */
function saidOf({ remarks, targetGuessed }: BoardRow): string[] {
  return [...remarks, ...(targetGuessed ? [GUESS] : [])]
}

function imagesByName(images: readonly ShownImage[]): ReadonlyMap<string, ShownImage> {
  const byName = new Map<string, ShownImage>()
  // A sheet may name an image by its digest too.
  for (const image of images) if (image.sha256 !== null) byName.set(image.sha256, image)
  for (const image of images) byName.set(image.name, image)
  return byName
}

function textOf({ device, address, image, standing, note }: BoardRow): string {
  return `${device} ${address} ${image} ${standing} ${note ?? ''}`.toLowerCase()
}

/** The rows that are wanted, and the fields that say which. */
function useFilter(rows: readonly BoardRow[]) {
  const [wanted, setWanted] = useState('')
  const [mark, setMark] = useState<Mark | ''>('')
  const shown = useMemo(
    () =>
      rows.filter((row) => (mark === '' || row.mark === mark) && textOf(row).includes(wanted.toLowerCase())),
    [rows, wanted, mark],
  )
  const counts = new Map<Mark, number>()
  for (const row of rows) counts.set(row.mark, (counts.get(row.mark) ?? 0) + 1)
  const filter = (
    <>
      <SearchField label="Find a device" value={wanted} onValue={setWanted} />
      <ChoiceField label="Show" value={mark} onValue={(chosen) => setMark(chosen as Mark | '')}>
        <option value="">all {rows.length}</option>
        {MARKS.filter((each) => counts.has(each) || each === mark).map((each) => (
          <option key={each} value={each}>
            {MARK_WORDS[each]} ({counts.get(each) ?? 0})
          </option>
        ))}
      </ChoiceField>
    </>
  )
  return { shown, filter }
}

function SaveSheet() {
  const { ask, mayChange, answer } = useBench()
  const [said, setSaid] = useState<string>()
  if (!mayChange) return null
  const save = (): void => {
    ask('/api/sheet', {}).then(
      () => answer('Saved as visit.csv.'),
      (error: Error) => setSaid(error.message),
    )
  }
  return (
    <p class="buttons">
      <button type="button" onClick={save}>
        Save as a visit sheet
      </button>
      <span class="hint">
        A row for each device and image that was seen here, as visit.csv in the staging folder.
      </span>
      <span class="problem" role="alert">
        {said}
      </span>
    </p>
  )
}
