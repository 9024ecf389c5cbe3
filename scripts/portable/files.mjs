// What stands in a portable folder.
import { createHash } from 'node:crypto'
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { dirname, join } from 'node:path'
import { stagingFiles } from './bundle.mjs'
import { readmeOf } from './readme.mjs'
import { RUNTIME } from './targets.mjs'

const PLAIN = 0o644
const EXECUTABLE = 0o755

/** `{ name, bytes, mode }` of each file; `program`: what bundleProgram gave, `runtime`: what runtimeOf gave. */
export function portableFiles(name, target, program, runtime) {
  const onWindows = target.archive === 'zip'
  const text = (content) => Buffer.from(onWindows ? content.replace(/\r?\n/g, '\r\n') : content)
  const plain = [
    { name: 'README.txt', bytes: text(readmeOf(name)) },
    { name: 'LICENSES.txt', bytes: text(licences(program, runtime)) },
    ...program.files.map((file) => ({ ...file, name: `program/${file.name}` })),
    ...stagingFiles().map((file) => ({ ...file, name: `staging/${file.name}` })),
  ]
  const executable = [
    { name: `runtime/${target.executable}`, bytes: runtime.executable },
    ...target.launchers.map((launcher) => ({ name: launcher, bytes: text(launcherText(launcher)) })),
  ]
  const files = [
    ...plain.map((file) => ({ ...file, mode: PLAIN })),
    ...executable.map((file) => ({ ...file, mode: EXECUTABLE })),
  ]
  return [...files, { name: 'SHA256SUMS', bytes: Buffer.from(sumsOf(files)), mode: PLAIN }]
}

export function writeFiles(folder, files) {
  for (const { name, bytes, mode } of files) {
    const path = join(folder, name)
    mkdirSync(dirname(path), { recursive: true })
    writeFileSync(path, bytes, { mode })
  }
}

/** As `sha256sum -c` reads it. */
export function sumsOf(files) {
  const line = ({ name, bytes }) => `${createHash('sha256').update(bytes).digest('hex')}  ${name}\n`
  return files
    .toSorted((a, b) => (a.name < b.name ? -1 : 1))
    .map(line)
    .join('')
}

/** On macOS a double click starts what ends in .command. */
function launcherText(launcher) {
  const source = launcher === 'fetchproof.command' ? 'fetchproof' : launcher
  return readFileSync(new URL(`launchers/${source}`, import.meta.url), 'utf8')
}

function licences(program, runtime) {
  const own = readFileSync(new URL('../../LICENSE', import.meta.url), 'utf8')
  const title = (words) => `${'='.repeat(78)}\n${words}\n${'='.repeat(78)}\n\n`
  return [
    `${title(`fetchproof ${program.version}`)}${own}`,
    program.licences,
    `${title(`Node.js ${RUNTIME.version}, in the folder runtime`)}${runtime.licence}`,
  ].join('\n')
}
