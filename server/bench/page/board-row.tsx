/** One device: one line high, with what is longer below it when it is opened. */
import { memo } from 'preact/compat'
import { useState } from 'preact/hooks'
import type { LivePull } from '../../delivery/live-pulls.ts'
import { isDoneMark } from '../../wording/marks.ts'
import { percentText, sizeText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import type { BoardRow } from '../snapshot-shape.ts'
import { useNow } from './context.ts'
import { Reference } from './footnotes.tsx'
import { DeviceMark } from './marks.tsx'
import { Bar, CopyButton, CopyLine, Facts, Outside } from './parts.tsx'
import { movementText, shareOf, whereItStands } from './words.ts'

interface DeviceRowProps {
  readonly row: BoardRow
  readonly live?: LivePull | undefined
  /** Its own line, by the address in its subnet. */
  readonly line: string | undefined
  /** Numbers of footnotes, apart by blanks: of the device, and of its planned version. */
  readonly notes: string
  readonly guess: string
}

export const DeviceRow = memo(function DeviceRow(props: DeviceRowProps) {
  const { row, live, line, notes, guess } = props
  const [open, setOpen] = useState(false)
  const { device, address, mark } = row
  // Of a wrong image what it pulls, not what it should.
  const image = live?.image.name ?? row.image
  const share = shareOf(row, live)
  const name = visible(device)
  return (
    <li class={`device ${mark}`}>
      <div class="board-row">
        <DeviceMark mark={mark} />
        <span class="who">
          <button
            type="button"
            class="name"
            aria-expanded={open}
            aria-label={`${name}: details`}
            title={name}
            onClick={() => setOpen(!open)}
          >
            <Outside text={device} />
          </button>
          {address !== null && address !== device && <Outside text={address} mono />}
          <Reference numbers={notes} />
        </span>
        <span class="what" title={image === null ? undefined : visible(image)}>
          {image !== null && <Outside text={image} mono />}
        </span>
        <span class="bar">
          {share !== undefined && !isDoneMark(mark) && (
            <Bar share={share} label={`${name} has ${percentText(share, 1)} of ${visible(image ?? '')}`} />
          )}
        </span>
        <span class="figure percent">{share === undefined ? '' : percentText(share, 1)}</span>
        <span class="figure where">
          <Where row={row} live={live} />
        </span>
        <span class="figure versions">
          <Outside text={versionsOf(row)} />
          <Reference numbers={guess} />
        </span>
        <span class="act-cell">{line !== undefined && <CopyButton line={line} label={`for ${name}`} />}</span>
      </div>
      {open && <Detail row={row} live={live} line={line} />}
    </li>
  )
})

/** With a clock while it stands still. */
function Where({ row, live }: Pick<DeviceRowProps, 'row' | 'live'>) {
  const now = useNow(live?.movement === 'stalled')
  return <>{whereItStands(row, live, now)}</>
}

function versionsOf({ versionBefore, versionAfter, versionTarget }: BoardRow): string {
  return [versionBefore, versionAfter ?? versionTarget].filter((each) => each !== null).join(' → ')
}

function Detail({ row, live, line }: Pick<DeviceRowProps, 'row' | 'live' | 'line'>) {
  const { pull } = row
  const sentences = [row.wrongImage ?? [], row.warnings, live === undefined ? [] : movementText(live)].flat()
  return (
    <div class="below">
      <Facts
        known={{
          Standing: row.standing,
          Image: row.image,
          Address: row.address,
          'Hardware address': row.mac,
          Bytes: pull && `${sizeText(live?.bytesNow ?? pull.covered)} of ${sizeText(pull.bytes)}`,
          'Version before': row.versionBefore,
          'Version planned': row.versionTarget,
          'Version after': row.versionAfter,
          Note: row.note,
        }}
      />
      {sentences.map((sentence) => (
        <p key={sentence} class={row.mark === 'attention' ? 'warning' : ''}>
          <Outside text={sentence} />
        </p>
      ))}
      {row.remarks.map((remark) => (
        <p key={remark} class="soft">
          <Outside text={remark} />
        </p>
      ))}
      {line !== undefined && <CopyLine line={line} label={`this line for ${visible(row.device)}`} />}
    </div>
  )
}
