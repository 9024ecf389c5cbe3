/** What `serve` says at its end: who is done, who is not, and the lines that save the report and check the record. */
import type { BoardRow, BoardView } from '../../bench/snapshot-shape.ts'
import type { Depot } from '../../depot/depot.ts'
import { tableLines } from '../../report/table.ts'
import { isDoneMark, MARK_WORDS } from '../../wording/marks.ts'
import { typedPath } from '../../wording/typed-path.ts'
import { listed, visible } from '../../wording/visible.ts'
import type { Tone } from '../style.ts'

/** Devices named one by one. */
const NAMED_AT_MOST = 40

type Line = readonly [line: string, tone?: Tone]

export function closingWords({ tally, rows, sheet }: BoardView, { ledger, settings }: Depot): Line[] {
  const { entries, sum } = ledger.head
  const folder = typedPath(settings.folder)
  const own = rows.filter(({ planned }) => planned || sheet === null)
  const done = own.filter(({ mark }) => isDoneMark(mark)).map(({ device }) => device)
  const strangers = rows.filter((row) => !own.includes(row)).map(({ device }) => device)
  return [
    [`Stopped. ${visible(tally)}.`, 'strong'],
    ...openLines(own.filter(({ mark }) => !isDoneMark(mark) && mark !== 'unplanned')),
    ...(done.length === 0 ? [] : [[`Done: ${listed(done, NAMED_AT_MOST)}`, 'good'] as const]),
    ...(strangers.length === 0
      ? []
      : [[`Not on the sheet: ${listed(strangers, NAMED_AT_MOST)}`, 'caution'] as const]),
    ...(rows.length === 0 && sheet === null
      ? []
      : [
          ['Save the report:'] as const,
          [`  fetchproof report ${folder} --output visit-report.html`] as const,
        ]),
    [`Record: ${entries} entries; head ${sum}`],
    ['Keep that head. With it this shows that no entry was cut off:'],
    [`  fetchproof audit ${folder} --check --head ${sum}`],
  ]
}

function openLines(open: readonly BoardRow[]): Line[] {
  if (open.length === 0) return []
  const shown = open.slice(0, NAMED_AT_MOST)
  const lines = tableLines(
    [
      { title: '', cell: ({ mark }) => MARK_WORDS[mark] },
      { title: '', cell: ({ device }) => device },
      { title: '', cell: detailOf },
    ],
    shown,
  )
  const more = open.length - shown.length
  return [
    ['Not done:'],
    ...lines.slice(1).map((line) => [`  ${line}`, 'caution'] as const),
    ...(more > 0 ? [[`  … and ${more} more`] as const] : []),
  ]
}

function detailOf({ standing, wrongImage, image, mark }: BoardRow): string {
  const said = wrongImage ?? (standing === MARK_WORDS[mark] ? '' : standing)
  return said === '' ? (image ?? '') : said
}
