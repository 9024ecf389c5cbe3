/** What was seen without a sheet, as one to go on with: a row a client and image, in the order they came. Pure. */
import { stringify } from 'csv-stringify/sync'
import type { PullRecord } from '../delivery/records.ts'
import { SHEET_COLUMNS, type SheetColumn } from './sheet-columns.ts'
import { deviceKey, SHEET_LIMITS } from './sheet-rows.ts'

/** CSV as RFC 4180 has it (CRLF), with the sheet's columns. A device without a name is called by its address. */
export function sheetOfPulls(pulls: readonly PullRecord[]): string {
  const rows = new Map<string, Partial<Record<SheetColumn, string>>>()
  for (const { client, addresses, image } of pulls) {
    const address = addresses?.at(-1) ?? client.address
    const device = client.device ?? address
    const key = JSON.stringify([client.mac ?? deviceKey(device), image.name])
    rows.set(key, { device, address, mac: client.mac ?? '', image: image.name })
  }
  return stringify([...rows.values()].slice(0, SHEET_LIMITS.rows), {
    header: true,
    columns: [...SHEET_COLUMNS],
    record_delimiter: 'windows',
    escape_formulas: true,
  })
}
