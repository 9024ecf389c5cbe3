/** Visit sheets that this program writes, as CSV with the sheet's columns (RFC 4180, CRLF). Pure. */
import { stringify } from 'csv-stringify/sync'
import type { PullRecord } from '../delivery/records.ts'
import { SHEET_COLUMNS, type SheetColumn } from './sheet-columns.ts'
import { deviceKey, SHEET_LIMITS } from './sheet-rows.ts'

/** Branch libraries of an invented county. Addresses of RFC 5737 and RFC 7042. */
const EXAMPLE_ROWS = [
  'harrowick-sw1,192.0.2.11,00:00:5e:00:53:11,,reading-room-switch-4.1.0.bin,RS-24,MV-0001,3.9.2,4.1.0,reading-room-switch-3.9.2.bin,intermediate version first,cellar',
  'harrowick-sw1,,,,reading-room-switch-4.4.2.bin,,,4.1.0,4.4.2,reading-room-switch-4.1.0.bin,,cellar',
  'harrowick-sw2,,,harrowick-sw1,,RS-24,MV-0002,,4.4.2,,"second of the stack, takes its image from the first",cellar',
  'ost-mill-ap1,198.51.100.21,00:00:5e:00:53:21,,lending-desk-radio-2.8.1.img,LD-2,,2.7.0,2.8.1,,"above the lending desk, ladder needed",hall',
]

/** A visit sheet to begin from, with a column of the engineer's own. */
export function exampleSheet(): string {
  return [[...SHEET_COLUMNS, 'room'].join(','), ...EXAMPLE_ROWS, ''].join('\r\n')
}

/** What was seen without a sheet: a row a client and image, in the order they came. A device without a name is called by its address. */
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
