/** Judging the cells of a visit sheet, row by row and then the devices against each other. */
import { grouped } from '../lists-by-key.ts'
import { normalise } from '../network/addresses.ts'
import { normaliseMac } from '../network/neighbour-text.ts'
import { quote } from './sheet-cells.ts'
import type { SheetColumn } from './sheet-columns.ts'
import { deviceKey, type PlannedRow, type RawRow, type Say } from './sheet-rows.ts'

type Draft = { -readonly [K in keyof PlannedRow]: PlannedRow[K] }

/** Rows that name a device. */
export function checkRows(raw: readonly RawRow[], say: Say): PlannedRow[] {
  const drafts = raw.flatMap((row) => checkCells(row, say))
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
  checkVia(drafts, devices, say)
  checkShared(drafts, 'address', say)
  checkShared(drafts, 'mac', say)
  return drafts.map((draft) => Object.freeze(draft))
}

function checkCells({ row, cells }: RawRow, say: Say): Draft[] {
  const cell = (column: SheetColumn): string | null => cells[column]?.trim() || null
  const read = (
    column: SheetColumn,
    parse: (text: string) => string | undefined,
    whyNone: (text: string) => string,
  ): string | null => {
    const text = cell(column)
    const value = text === null ? undefined : parse(text)
    if (text !== null && value === undefined) say(row, column, whyNone(text))
    return value ?? null
  }
  const device = cell('device')
  if (device === null) {
    say(row, 'device', NO_NAME)
    return []
  }
  return [
    {
      row,
      step: 1,
      device,
      address: read('address', normalise, whyNoAddress),
      mac: read('mac', normaliseMac, whyNoMac),
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

const NO_NAME = 'The device has no name, so that this row is not used. Give it one, or remove the row.'

function whyNoAddress(text: string): string {
  return `${quote(text)} is not a network address. Write it like 192.0.2.7 or 2001:db8::7, without port, prefix or leading zeros.`
}

function whyNoMac(text: string): string {
  const lost = /^[0-9a-f]{6,11}$/i.test(text)
    ? ' Zeros at its beginning may have been lost: format the column as text and enter it again.'
    : ''
  return `${quote(text)} is not the hardware address of a device. Write it like 00:00:5e:00:53:01.${lost}`
}

/** `via` names a device of the sheet that pulls itself: one step, so that there are no circles. */
function checkVia(drafts: readonly Draft[], devices: ReadonlyMap<string, readonly Draft[]>, say: Say): void {
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
    if (message !== undefined) say(draft.row, 'via', message)
    draft.via = message === undefined ? (target?.device ?? null) : null
  }
}

/**
 * One address or hardware address on two devices would mix up their pulls; devices behind one `via` may share. With a
 * hardware address each, devices that have one factory address are told apart all the same.
 */
function checkShared(drafts: readonly Draft[], column: 'address' | 'mac', say: Say): void {
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
    if (column === 'mac') say(draft.row, column, `${stands}: ${CORRECT_MAC}`)
    else say(draft.row, column, `${stands}: ${TELL_APART}`, true)
  }
}

const CORRECT_MAC = 'their pulls could not be told apart. Correct one of them, or fill via.'
const TELL_APART =
  'their pulls cannot be told apart. Fill mac for each of them (it stands on the label, or in what the console shows), give them different addresses, or fill via where one pulls for the other.'
