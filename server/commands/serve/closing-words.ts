/** What `serve` says at its end: who is done, who is not, and the lines that save the report and check the record. */
import type { BoardRow, BoardView } from '../../bench/snapshot-shape.ts'
import type { Depot } from '../../depot/depot.ts'
import { tableLines } from '../../report/table.ts'
import { isDoneMark, MARK_WORDS } from '../../wording/marks.ts'
import { typedPath } from '../../wording/typed-path.ts'
import { listed, visible } from '../../wording/visible.ts'
import type { Tone } from '../printing.ts'

/** Devices named one by one. */
const NAMED_AT_MOST = 40

type Line = readonly [line: string, tone?: Tone]

export function closingWords({ tally, rows, sheet }: BoardView, { ledger, settings }: Depot): Line[] {
  const { entries, sum } = ledger.head
  const folder = typedPath(settings.folder)
  const own = rows.filter(({ planned }) => planned || sheet === null)
  const done = own.filter(({ mark }) => isDoneMark(mark)).map(({ device }) => device)
  const strangers = rows.filter((row) => !own.includes(row)).map(({ device }) => device)
  const lines: Line[] = [
    [`Stopped. ${visible(tally)}.`, 'strong'],
    ...openLines(own.filter(({ mark }) => !isDoneMark(mark) && mark !== 'unplanned')),
  ]
  if (done.length > 0) lines.push([`Done: ${listed(done, NAMED_AT_MOST)}`, 'good'])
  if (strangers.length > 0) lines.push([`Not on the sheet: ${listed(strangers, NAMED_AT_MOST)}`, 'caution'])
  if (rows.length > 0 || sheet !== null) {
    lines.push(['Save the report:'], [`  fetchproof report ${folder} --output visit-report.html`])
  }
  lines.push(
    [`Record: ${entries} entries; head ${sum}`],
    ['Keep that head. With it this shows that no entry was cut off:'],
    [`  fetchproof audit ${folder} --check --head ${sum}`],
  )
  return lines
}

function openLines(open: readonly BoardRow[]): Line[] {
  if (open.length === 0) return []
  const [, ...lines] = tableLines(
    [
      { title: '', cell: ({ mark }) => MARK_WORDS[mark] },
      { title: '', cell: ({ device }) => device },
      { title: '', cell: detailOf },
    ],
    open.slice(0, NAMED_AT_MOST),
  )
  const more = open.length - lines.length
  return [
    ['Not done:'],
    ...lines.map((line): Line => [`  ${line}`, 'caution']),
    ...(more > 0 ? [[`  … and ${more} more`] as const] : []),
  ]
}

function detailOf({ standing, wrongImage, image, mark }: BoardRow): string {
  const said = wrongImage ?? (standing === MARK_WORDS[mark] ? '' : standing)
  return said === '' ? (image ?? '') : said
}
