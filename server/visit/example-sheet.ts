/** A visit sheet to begin from: branch libraries of an invented county. Addresses of RFC 5737 and RFC 7042. */
import { stringify } from 'csv-stringify/sync'
import { SHEET_COLUMNS } from './sheet-rows.ts'

const ROWS: readonly Partial<Record<(typeof SHEET_COLUMNS)[number] | 'room', string>>[] = [
  {
    device: 'harrowick-sw1',
    address: '192.0.2.11',
    mac: '00:00:5e:00:53:11',
    image: 'reading-room-switch-4.1.0.bin',
    model: 'RS-24',
    serial: 'MV-0001',
    version_before: '3.9.2',
    version_target: '4.1.0',
    rollback: 'reading-room-switch-3.9.2.bin',
    note: 'intermediate version first',
    room: 'cellar',
  },
  {
    device: 'harrowick-sw1',
    image: 'reading-room-switch-4.4.2.bin',
    version_before: '4.1.0',
    version_target: '4.4.2',
    rollback: 'reading-room-switch-4.1.0.bin',
    room: 'cellar',
  },
  {
    device: 'harrowick-sw2',
    via: 'harrowick-sw1',
    model: 'RS-24',
    serial: 'MV-0002',
    version_target: '4.4.2',
    note: 'second of the stack, takes its image from the first',
    room: 'cellar',
  },
  {
    device: 'ost-mill-ap1',
    address: '198.51.100.21',
    mac: '00:00:5e:00:53:21',
    image: 'lending-desk-radio-2.8.1.img',
    model: 'LD-2',
    version_before: '2.7.0',
    version_target: '2.8.1',
    note: 'above the lending desk, ladder needed',
    room: 'hall',
  },
]

/** CSV as RFC 4180 has it (CRLF), with a column of the engineer's own. */
export function exampleSheet(): string {
  return stringify([...ROWS], {
    header: true,
    columns: [...SHEET_COLUMNS, 'room'],
    record_delimiter: 'windows',
  })
}
