/**
 * The board: a row a device. With a visit sheet its rows, and after them the clients that stand on none; without one
 * the clients that came. What moves at this moment is merged in as far as it changes a mark; percent and rate are
 * in `underWay`, so that a board of three hundred rows is sent when one of them changes its mark, not with each byte.
 */
import type { LivePull } from '../delivery/live-pulls.ts'
import type { PullRecord } from '../delivery/records.ts'
import { addressFor, type OwnAddress } from '../network/addresses.ts'
import { MARK_OF_PULL, MARKS, type Mark } from '../wording/marks.ts'
import { isAllPulled, tallyOf, tallyWords } from '../wording/tally.ts'
import type { BoardRow, BoardView } from './snapshot-shape.ts'
import { pullView, type VisitView } from './visit-view.ts'

interface BoardSources {
  readonly visit: VisitView | null
  readonly underWay: readonly LivePull[]
  /** Those that are over, in the order they began. */
  readonly over: readonly PullRecord[]
  /** That may stand in a line to paste. */
  readonly own: readonly OwnAddress[]
}

const ORDER: ReadonlyMap<Mark, number> = new Map(MARKS.map((mark, at) => [mark, at]))

export function boardOf({ visit, underWay, over, own }: BoardSources): BoardView {
  const live = new Map(underWay.map((pull) => [pull.fetches[0] ?? '', pull]))
  const pulls = [...over, ...underWay].sort((a, b) => a.begunSeq - b.begunSeq)
  const clients = visit === null ? clientRows(pulls) : strangerRows(visit, pulls)
  const planned = (visit?.rows ?? []).map((row) => ({ ...row, key: `device ${row.device}`, planned: true }))
  const rows = [...planned, ...clients].map((row): BoardRow => {
    const moving = row.pull === null ? undefined : live.get(row.pull.id)
    const mark = row.mark === 'pulling' && moving?.movement === 'stalled' ? 'stalled' : row.mark
    const ownAddress = row.address === null ? undefined : addressFor(row.address, own)?.address
    return { ...row, mark, own: ownAddress ?? null }
  })
  const marks = rows.filter(({ planned }) => planned || visit === null).map(({ mark }) => mark)
  const tally = tallyOf(marks, visit === null ? 0 : clients.length, visit !== null)
  return {
    sheet: visit?.file ?? null,
    tally: tallyWords(tally),
    ended: isAllPulled(tally),
    rows: rows.sort((a, b) => (ORDER.get(a.mark) ?? 0) - (ORDER.get(b.mark) ?? 0)),
  }
}

type ClientRow = Omit<BoardRow, 'own'>

/** A row a client, by its latest pull. */
function clientRows(pulls: readonly PullRecord[]): ClientRow[] {
  const latest = new Map(pulls.map((pull) => [pull.client.mac ?? pull.client.address, pull]))
  return [...latest.values()].map(clientRow)
}

function strangerRows(visit: VisitView, pulls: readonly PullRecord[]): ClientRow[] {
  const byId = new Map(pulls.map((pull) => [pull.fetches[0], pull]))
  return visit.strangers.flatMap(({ latest, remark }) => {
    const pull = byId.get(latest ?? '')
    if (pull === undefined) return []
    const row = clientRow(pull)
    const remarks = remark === null ? [] : [remark]
    return [{ ...row, standing: `${row.standing}; not on the sheet`, remarks }]
  })
}

function clientRow(pull: PullRecord): ClientRow {
  const { client, state, image, notes } = pull
  const address = pull.addresses?.at(-1) ?? client.address
  return {
    key: `client ${client.mac ?? client.address}`,
    planned: false,
    device: client.device ?? address,
    address,
    mac: client.mac,
    mark: MARK_OF_PULL[state],
    pull: pullView(pull),
    image: image.name,
    versionBefore: null,
    versionTarget: null,
    targetGuessed: false,
    versionAfter: null,
    standing: STANDING_OF_PULL[state],
    refused: false,
    wrongImage: null,
    warnings: [],
    note: null,
    remarks: notes,
  }
}

const STANDING_OF_PULL = {
  running: 'pulling',
  complete: 'pulled',
  unconfirmed: 'unconfirmed',
  incomplete: 'its pull broke off',
} as const
