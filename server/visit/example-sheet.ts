/** A visit sheet to begin from: branch libraries of an invented county. Addresses of RFC 5737 and RFC 7042. */
import { SHEET_COLUMNS } from './sheet-columns.ts'

const ROWS = [
  'harrowick-sw1,192.0.2.11,00:00:5e:00:53:11,,reading-room-switch-4.1.0.bin,RS-24,MV-0001,3.9.2,4.1.0,reading-room-switch-3.9.2.bin,intermediate version first,cellar',
  'harrowick-sw1,,,,reading-room-switch-4.4.2.bin,,,4.1.0,4.4.2,reading-room-switch-4.1.0.bin,,cellar',
  'harrowick-sw2,,,harrowick-sw1,,RS-24,MV-0002,,4.4.2,,"second of the stack, takes its image from the first",cellar',
  'ost-mill-ap1,198.51.100.21,00:00:5e:00:53:21,,lending-desk-radio-2.8.1.img,LD-2,,2.7.0,2.8.1,,"above the lending desk, ladder needed",hall',
]

/** CSV as RFC 4180 has it (CRLF), with a column of the engineer's own. */
export function exampleSheet(): string {
  return [[...SHEET_COLUMNS, 'room'].join(','), ...ROWS, ''].join('\r\n')
}
