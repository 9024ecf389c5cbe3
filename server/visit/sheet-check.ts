/** Judging the cells of a visit sheet, row by row and then the devices against each other. */
import { grouped } from '../grouped.ts'
import { normalise } from '../network/addresses.ts'
import { normaliseMac } from '../network/neighbour-text.ts'
import { quote } from './sheet-cells.ts'
import type { SheetColumn } from './sheet-columns.ts'
import { deviceKey, type PlannedRow, type RawRow, type SheetProblem } from './sheet-rows.ts'

type Mutable<T> = { -readonly [K in keyof T]: T[K] }
type Draft = Mutable<PlannedRow>

/** Rows that name a device, with what is wrong pushed to `problems`. */
export function checkRows(raw: readonly RawRow[], problems: SheetProblem[]): PlannedRow[] {
  const drafts = raw.flatMap((row) => checkCells(row, problems))
  const devices = grouped(drafts, ({ device }) => deviceKey(device))
  for (const rows of devices.values()) {
    const address = rows.find((row) => row.address !== null)?.address ?? null
    const mac = rows.find((row) => row.mac !== null)?.mac ?? null
    rows.forEach((row, index) => {
      row.step = index + 1
      row.address ??= address
      row.mac ??= mac
    })
  }
  checkVia(drafts, devices, problems)
  checkShared(drafts, 'address', problems)
  checkShared(drafts, 'mac', problems)
  return drafts.map((draft) => Object.freeze(draft))
}

function checkCells({ row, cells }: RawRow, problems: SheetProblem[]): Draft[] {
  const cell = (column: SheetColumn): string | null => cells[column]?.trim() || null
  const say = (column: SheetColumn, message: string) => problems.push({ row, column, message })
  const device = cell('device')
  if (device === null) {
    say('device', 'The device has no name, so that this row is not used. Give it one, or remove the row.')
    return []
  }
  return [
    {
      row,
      step: 1,
      device,
      address: readAddress(cell('address'), say),
      mac: readMac(cell('mac'), say),
      via: cell('via'),
      image: cell('image'),
      model: cell('model'),
      serial: cell('serial'),
      versionBefore: cell('version_before'),
      versionTarget: cell('version_target'),
      rollback: cell('rollback'),
      note: cell('note'),
      cells,
    },
  ]
}

type Say = (column: SheetColumn, message: string) => void

function readAddress(text: string | null, say: Say): string | null {
  if (text === null) return null
  const address = normalise(text)
  if (address === undefined) {
    say(
      'address',
      `${quote(text)} is not a network address. Write it like 192.0.2.7 or 2001:db8::7, without port, prefix or leading zeros.`,
    )
  }
  return address ?? null
}

function readMac(text: string | null, say: Say): string | null {
  if (text === null) return null
  const mac = normaliseMac(text)
  if (mac === undefined) {
    const lost = /^[0-9a-f]{6,11}$/i.test(text)
      ? ' Zeros at its beginning may have been lost: format the column as text and enter it again.'
      : ''
    say(
      'mac',
      `${quote(text)} is not the hardware address of a device. Write it like 00:00:5e:00:53:01.${lost}`,
    )
  }
  return mac ?? null
}

/** `via` names a device of the sheet that pulls itself: one step, so that there are no circles. */
function checkVia(
  drafts: readonly Draft[],
  devices: ReadonlyMap<string, readonly Draft[]>,
  problems: SheetProblem[],
): void {
  // Judged from what the sheet says, before any of it is struck out.
  const pullsItself = new Map([...devices].map(([key, rows]) => [key, rows.every(({ via }) => via === null)]))
  for (const draft of drafts) {
    if (draft.via === null) continue
    const key = deviceKey(draft.via)
    const target = devices.get(key)?.[0]
    let message: string | undefined
    if (target === undefined) {
      message = `There is no device ${quote(draft.via)} on this sheet. Add a row for it, or correct the name.`
    } else if (key === deviceKey(draft.device)) {
      message =
        'A device cannot pull by way of itself. Leave the cell empty, or name the device that pulls for it.'
    } else if (pullsItself.get(key) === false) {
      message = `${quote(draft.via)} does not pull itself either. Name the device that really pulls.`
    }
    if (message !== undefined) problems.push({ row: draft.row, column: 'via', message })
    draft.via = message === undefined ? (target?.device ?? null) : null
  }
}

/**
 * One address or hardware address on two devices would mix up their pulls; devices behind one `via` may share. With a
 * hardware address each, devices that have one factory address are told apart all the same.
 */
function checkShared(drafts: readonly Draft[], column: 'address' | 'mac', problems: SheetProblem[]): void {
  const owners = new Map<string, Draft>()
  const told = new Set<string>()
  for (const draft of drafts) {
    const value = draft[column]
    if (value === null) continue
    const puller = deviceKey(draft.via ?? draft.device)
    const owner = owners.get(value)
    if (owner === undefined) {
      owners.set(value, draft)
      continue
    }
    const same = deviceKey(owner.via ?? owner.device) === puller
    const apart = column === 'address' && owner.mac !== null && draft.mac !== null && owner.mac !== draft.mac
    if (same || apart || told.has(`${value} ${puller}`)) continue
    told.add(`${value} ${puller}`)
    const stands = `${value} is already in row ${owner.row} for ${quote(owner.device)}`
    problems.push(
      column === 'mac'
        ? {
            row: draft.row,
            column,
            message: `${stands}: their pulls could not be told apart. Correct one of them, or fill via.`,
          }
        : {
            row: draft.row,
            column,
            message: `${stands}: their pulls cannot be told apart. ${TELL_APART}`,
            warning: true,
          },
    )
  }
}

const TELL_APART =
  'Fill mac for each of them (it stands on the label, or in what the console shows), give them different addresses, or fill via where one pulls for the other.'
