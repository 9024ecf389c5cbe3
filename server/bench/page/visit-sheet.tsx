/** The rows of the visit sheet against what happened. */
import type { JSX } from 'preact'
import { visible } from '../../wording/visible.ts'
import type { VisitRowView, VisitView } from '../snapshot-shape.ts'
import { Outside, Section } from './parts.tsx'

interface VisitSheetProps {
  readonly visit: VisitView | null
  readonly tally: string
  readonly outlook: string | null
}

export function VisitSheet({ visit, tally, outlook }: VisitSheetProps): JSX.Element | null {
  if (visit === null) return null
  return (
    <Section id="visit" title="Visit sheet" aside={visible(visit.file)}>
      <p class="hint">{tally}</p>
      {outlook !== null && <p class="hint">{outlook}</p>}
      <ul class="ruled rows">
        {visit.rows.map((row, at) => (
          <Row key={at} row={row} />
        ))}
      </ul>
      {visit.strangers.length > 0 && (
        <>
          <p>Fetched without standing on the sheet:</p>
          <ul class="notes">
            {visit.strangers.map(({ client, image }) => (
              <li key={`${client} ${image}`}>
                <Outside text={client} mono />, <Outside text={image} mono />
              </li>
            ))}
          </ul>
        </>
      )}
    </Section>
  )
}

function Row({ row }: { row: VisitRowView }): JSX.Element {
  const versions = [row.versionBefore, row.versionAfter ?? row.versionTarget].filter((each) => each !== null)
  return (
    <li class={row.wrong ? 'hand' : ''}>
      <span>
        <Outside text={row.device} /> {row.address !== null && <Outside text={row.address} mono />}
      </span>
      <span>{row.image !== null && <Outside text={row.image} mono />}</span>
      <span>{versions.length > 0 && <Outside text={versions.join(' to ')} />}</span>
      <span>
        <span class={`stamp ${row.wrong ? 'held' : ''}`}>
          <Outside text={row.standing} />
        </span>
      </span>
      {[...(row.wrongImage === null ? [] : [row.wrongImage]), ...row.warnings].map((warning) => (
        <span key={warning} class="whole warning">
          <Outside text={warning} />
        </span>
      ))}
      {row.note !== null && (
        <span class="whole">
          <Outside text={row.note} />
        </span>
      )}
      {row.remarks.length > 0 && (
        <span class="whole soft">
          <Outside text={row.remarks.join(' ')} />
        </span>
      )}
    </li>
  )
}
