/**
 * The columns of a visit sheet and the headings that name them: what the trade calls them elsewhere, and what was perhaps
 * meant. Letter case, blanks, hyphens, underscores and punctuation do not count.
 */
import { differences } from '../staging/nearest-name.ts'
import { type Say, SHEET_LIMITS } from './sheet-rows.ts'

export const SHEET_COLUMNS = [
  'device',
  'address',
  'mac',
  'via',
  'image',
  'model',
  'serial',
  'version_before',
  'version_target',
  'rollback',
  'note',
] as const
export type SheetColumn = (typeof SHEET_COLUMNS)[number]

/** Common names in inventories and on forms (common practice). */
const SYNONYMS: Readonly<Record<SheetColumn, string>> = {
  device: 'device name|hostname|host name|host|system name|name|equipment|switch|unit name',
  address:
    'ip|ip address|ip addr|ipv4|ipv4 address|ipv6|ipv6 address|management ip|management address|management ip address|mgmt ip|mgmt address|mgmt ip address|host address|network address|device ip|device address',
  mac: 'mac address|mac addr|macaddr|macaddress|hardware address|hw address|ethernet address|physical address|base mac|base mac address|device mac',
  via: 'pulls via|pulled by|through|by way of|stack master|stack member of',
  image:
    'image file|image name|firmware|firmware file|firmware image|fw|fw file|file|filename|file name|software|software image|software file|target image|new image|new firmware',
  model:
    'model number|model no|model name|device model|device type|product|product number|product id|part number|hardware model',
  serial: 'serial number|serial no|serial nr|s n|sn|device serial',
  version_before:
    'version now|version current|current version|running version|installed version|present version|old version|from version|version from|current firmware|current firmware version|running firmware|installed firmware|current software version|before|version old|existing version',
  version_target:
    'target version|target firmware|target firmware version|target software version|new version|to version|version to|planned version|desired version|required version|version after|target|version new|upgrade to|target release',
  rollback:
    'rollback image|roll back|fallback|fallback image|fall back|previous image|backup image|back out image|rollback file|old image',
  note: 'notes|comment|comments|remark|remarks',
}
/** May mean two columns: nobody is to guess which version it is. */
const AMBIGUOUS = /^(version|firmware version|fw version|software version|release|os version)$/

const MEANT = new Map<string, SheetColumn>(
  SHEET_COLUMNS.flatMap((column) =>
    SYNONYMS[column].split('|').map((synonym): [string, SheetColumn] => [synonym, column]),
  ),
)
const KNOWN = new Map<string, SheetColumn>(SHEET_COLUMNS.map((column) => [plain(column), column]))

/** Headings by place: known columns by their names, the engineer's own as written, '' where a column is not read. */
export function readHeadings(record: readonly string[], row: number, sayOf: Say): string[] {
  const written = record.slice(0, SHEET_LIMITS.columns).map((cell) => cell.trim())
  const taken = new Set<string>(written.flatMap((heading) => KNOWN.get(plain(heading)) ?? []))
  const seen = new Set<string>()
  const say = (column: string | null, message: string): void => sayOf(row, column, message)
  const columns = written.map((heading) => {
    const name = KNOWN.get(plain(heading)) ?? synonymOf(heading, taken) ?? heading
    if (name !== '' && seen.has(name)) {
      say(name, 'This heading stands twice; the first one counts. Rename or remove the other.')
      return ''
    }
    seen.add(name)
    const doubt = name === heading ? doubtOf(heading, taken) : undefined
    if (doubt !== undefined) say(heading, doubt)
    return name
  })
  if (record.slice(SHEET_LIMITS.columns).some((cell) => cell.trim() !== '')) {
    say(null, `Only the first ${SHEET_LIMITS.columns} columns are read. Remove what is not needed.`)
  }
  return columns
}

/** The column that it means, unless that one is there already: then it is a column of the engineer's own. */
function synonymOf(heading: string, taken: Set<string>): string | undefined {
  const meant = MEANT.get(plain(heading))
  if (meant === undefined || taken.has(meant)) return undefined
  taken.add(meant)
  return meant
}

/** Why a column of the engineer's own may be meant as a known one. */
function doubtOf(heading: string, taken: ReadonlySet<string>): string | undefined {
  const asked = plain(heading)
  if (KNOWN.has(asked) || MEANT.has(asked)) return undefined
  if (AMBIGUOUS.test(asked)) {
    const free = ['version_before', 'version_target'].filter((column) => !taken.has(column))
    if (free.length === 0) return undefined
    return `Did you mean ${free.join(' or ')}? Rename this heading; as it is, its cells are only kept and shown.`
  }
  const near = nearest(asked, taken)
  if (near === undefined) return undefined
  return `Did you mean ${near}? Rename this heading; as it is, its cells are only kept and shown.`
}

function nearest(asked: string, taken: ReadonlySet<string>): SheetColumn | undefined {
  // Of shorter words one letter makes another word: rack, node, port.
  if (asked.length < 5 || asked.length > 40) return undefined
  const limit = asked.length < 8 ? 2 : 3
  for (const [known, column] of [...KNOWN, ...MEANT]) {
    if (known.length >= 5 && !taken.has(column) && differences(asked, known, limit) < limit) return column
  }
  return undefined
}

function plain(heading: string): string {
  return heading
    .normalize('NFKC')
    .toLowerCase()
    .replace(/[^\p{L}\p{N}]+/gu, ' ')
    .trim()
}
