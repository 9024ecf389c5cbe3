// The program as few files that need no node_modules: what stands in dist/, bundled with its packages.
import { readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { build } from 'vite'
import { buildPage } from '../build-page.mjs'
import { licencesOf } from './licences.mjs'

const root = fileURLToPath(new URL('../..', import.meta.url))
const dist = join(root, 'dist')

/** What is started as a program, a thread and a process of its own. */
const ENTRIES = {
  main: 'server/main.js',
  'digest-worker': 'server/staging/digest-worker.js',
  'check-process': 'server/trust/formats/check-process.js',
}

/**
 * `files`: `{ name, bytes }`, and `licences`: a text. Code is split where commands load what they do, so that each
 * reads only its own (one file took three times as long to begin). It lies as deep as it looks for package and page.
 */
export async function bundleProgram() {
  const input = Object.fromEntries(Object.entries(ENTRIES).map(([name, file]) => [name, join(dist, file)]))
  const bundled = await build({
    root,
    configFile: false,
    logLevel: 'error',
    publicDir: false,
    ssr: { noExternal: true, target: 'node' },
    build: {
      ssr: true,
      write: false,
      target: 'node22',
      minify: false,
      rolldownOptions: {
        cwd: root,
        input,
        output: { entryFileNames: '[name].js', chunkFileNames: '[name].js', comments: false },
      },
    },
  })
  const page = await buildPage({ write: false })
  const { name, version, license } = JSON.parse(readFileSync(join(root, 'package.json'), 'utf8'))
  const manifest = `${JSON.stringify({ name, version, license, type: 'module', private: true }, null, 2)}\n`
  return {
    version,
    files: [
      { name: 'package.json', bytes: Buffer.from(manifest) },
      ...bundled.output.map(({ fileName, code }) => ({
        name: `server/bundle/${fileName}`,
        bytes: Buffer.from(code),
      })),
      ...page.output.map(({ fileName, code, source }) => ({
        name: `bench/page/${fileName}`,
        bytes: Buffer.from(code ?? source),
      })),
    ],
    licences: licencesOf(root, [...bundled.output, ...page.output]),
  }
}

/** The practice image and what belongs to it. */
export function stagingFiles() {
  const folder = join(root, 'staging')
  return readdirSync(folder)
    .filter((name) => !name.startsWith('.'))
    .map((name) => ({ name, bytes: readFileSync(join(folder, name)) }))
}
