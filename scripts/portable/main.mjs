/**
 * `npm run portable [-- --only win-x64] [--out FOLDER] [--no-archives]`: folders and archives that run on a laptop
 * without Node.js, under dist/portable/.
 */
import { createHash } from 'node:crypto'
import { readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { parseArgs } from 'node:util'
import { archiveOf } from './archive.mjs'
import { bundleProgram } from './bundle.mjs'
import { portableFiles, sumsOf, writeFiles } from './files.mjs'
import { runtimeOf } from './runtime.mjs'
import { TARGETS } from './targets.mjs'

const { values } = parseArgs({
  options: {
    only: { type: 'string', multiple: true },
    out: { type: 'string', default: fileURLToPath(new URL('../../dist/portable', import.meta.url)) },
    'no-archives': { type: 'boolean' },
  },
})
const names = values.only ?? Object.keys(TARGETS)
const unknown = names.filter((name) => TARGETS[name] === undefined)
if (unknown.length > 0) {
  console.error(`There is no portable ${unknown.join(', ')}. There are: ${Object.keys(TARGETS).join(', ')}.`)
  process.exit(2)
}

const program = await bundleProgram()
for (const name of names) {
  const target = TARGETS[name]
  const title = `fetchproof-${program.version}-${name}`
  const files = portableFiles(name, target, program, runtimeOf(target))
  const folder = join(values.out, title)
  rmSync(folder, { recursive: true, force: true })
  writeFiles(folder, files)
  said(
    `${title}/`,
    files.reduce((sum, { bytes }) => sum + bytes.length, 0),
  )
  if (values['no-archives']) continue
  const archive = archiveOf(
    target.archive,
    files.map((file) => ({ ...file, name: `${title}/${file.name}` })),
  )
  writeFileSync(join(values.out, `${title}.${target.archive}`), archive)
  said(`${title}.${target.archive}`, archive.length, createHash('sha256').update(archive).digest('hex'))
}

const archives = readdirSync(values.out)
  .filter((name) => name.startsWith(`fetchproof-${program.version}-`) && /\.(zip|tar\.gz)$/.test(name))
  .map((name) => ({ name, bytes: readFileSync(join(values.out, name)) }))
if (archives.length > 0) writeFileSync(join(values.out, 'SHA256SUMS'), sumsOf(archives))

function said(name, bytes, sum = '') {
  console.log(`${(bytes / 1e6).toFixed(1).padStart(6)} MB  ${name}${sum && `\n           ${sum}`}`)
}
