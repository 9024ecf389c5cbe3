/** The README's query over the ledgers of several visits, run by the engine that it names, against what audit says. */
import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { basename, join, sep } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { type Audit, inProcess } from '../commands/in-process.ts'
import { opened } from '../ledger/records-folder.ts'
import { sheetOf, untold } from '../report/told-visit.ts'
import { RADIO, type Story, SWITCH_41, SWITCH_44, story } from '../visit/visit-story.ts'

/** Those that the engine's package has prebuilt binaries for (its `optionalDependencies`). */
const BUILT_FOR = ['darwin-arm64', 'darwin-x64', 'linux-arm64', 'linux-x64', 'win32-arm64', 'win32-x64']
const here = `${process.platform}-${process.arch}`

const DESK = { address: '192.0.2.10', mac: '00:00:5e:00:53:0a' }
const HALL = { address: '192.0.2.11', mac: '00:00:5e:00:53:0b' }
const ATTIC = { address: '2001:db8::12' }

const VISITS: Readonly<Record<string, Story>> = {
  'hollow-lane': story()
    .add(sheetOf({ device: 'desk', address: DESK.address, serial: 'outdated' }))
    .add(
      sheetOf(
        { device: 'desk', address: DESK.address, serial: 'BV2026001' },
        { device: 'attic', address: ATTIC.address, serial: 'BV2026003' },
      ),
    )
    .pull(DESK, SWITCH_44, { rehearsal: true })
    .pull(HALL, RADIO, { rehearsal: true })
    .pull(DESK, SWITCH_44)
    .pull(ATTIC, RADIO, { handed: 400 })
    .pull(ATTIC, RADIO, { first: 400 })
    .pull(HALL, SWITCH_41, { handed: 999 }),
  'mill-street': story()
    .add(sheetOf({ device: 'hall', address: HALL.address, serial: 'BV2026002' }))
    .pull(HALL, RADIO)
    .pull(HALL, RADIO)
    .pull(DESK, SWITCH_41)
    .pull(ATTIC, SWITCH_44, { ending: 'unconfirmed' })
    .refuse(ATTIC, RADIO),
  'nothing-yet': story(),
}

const FACE = ['visit', 'address', 'image', 'sha256'] as const

test(`the query of the README finds what audit finds (DuckDB on ${here})`, async ({ skip }) => {
  if (!BUILT_FOR.includes(here)) skip(`NOT TESTED: DuckDB has no prebuilt binary for ${here}`)
  const root = mkdtempSync(join(tmpdir(), 'fetchproof-query-'))
  onTestFinished(() => rmSync(root, { recursive: true, force: true }))
  const folders = await Promise.all(
    Object.entries(VISITS).map(([name, told]) => written(join(root, 'visits', name), told)),
  )

  const rows = await answered(root)
  const found = rows.map((row): Record<string, unknown> => ({ ...row, visit: basename(String(row.visit)) }))

  const complete = await Promise.all(folders.map(completePulls))
  const faces = found.map((row) => FACE.map((column) => row[column]))
  expect(new Set(faces.map(String))).toEqual(new Set(complete.flat().map(String)))
  expect(faces).toHaveLength(4)
  expect(found.map(({ visit, address, serial }) => [visit, address, serial])).toEqual([
    ['hollow-lane', '192.0.2.10', 'BV2026001'],
    ['hollow-lane', '2001:db8::12', 'BV2026003'],
    ['mill-street', '192.0.2.10', null],
    ['mill-street', '192.0.2.11', 'BV2026002'],
  ])
})

/** Appended by the program's own writer. */
async function written(folder: string, told: Story): Promise<string> {
  const ledger = await opened(join(folder, '.fetchproof'))
  for (const entry of untold(told)) ledger.append(entry)
  await ledger.close('the visit has ended')
  return folder
}

async function completePulls(folder: string): Promise<string[][]> {
  const { status, stdout, stderr } = await inProcess([
    'audit',
    folder,
    '--state',
    'complete',
    '--format',
    'json',
  ])
  expect({ status, stderr }).toEqual({ status: 0, stderr: '' })
  const { pulls } = JSON.parse(stdout) as Audit
  return pulls.map(({ client, image }) => [basename(folder), client.address, image.name, image.sha256])
}

/** The SQL as it stands in the README; only where it looks for `visits/` is set beforehand. */
async function answered(root: string): Promise<Record<string, unknown>[]> {
  const readme = readFileSync(new URL('../../README.md', import.meta.url), 'utf8')
  const [sql, ...more] = [...readme.matchAll(/^```sql\n(.*?)^```$/gms)].map((block) => block[1] ?? '')
  expect(more).toEqual([])
  const { DuckDBInstance } = await import('@duckdb/node-api').catch((cause: unknown) => {
    throw new Error(
      `DuckDB has a prebuilt binary for ${here}, but it is not installed: "npm ci" installs it.`,
      { cause },
    )
  })
  const connection = await (await DuckDBInstance.create(':memory:')).connect()
  try {
    await connection.run(`SET file_search_path = '${root.replaceAll("'", "''")}${sep}'`)
    return (await connection.runAndReadAll(sql ?? '')).getRowObjectsJson()
  } finally {
    connection.closeSync()
  }
}
