// Bundles what the built program imports of a package of many small modules, and leads those imports to the bundle.
import { copyFileSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { dirname, join, relative, sep } from 'node:path'
import { fileURLToPath } from 'node:url'
import { build } from 'vite'

/** `dist`: the built program; the bundle goes to `bundled/NAME` in it, with the package's license. */
export async function bundlePackage(dist, name) {
  const imported = new RegExp(`(?<= from ')${name}(?:/([^'\\n]+))?(?=';$)`, 'gm')
  const outDir = join(dist, 'bundled', name)
  const sources = readdirSync(dist, { recursive: true, withFileTypes: true })
    .filter((entry) => entry.name.endsWith('.js'))
    .map((entry) => join(entry.parentPath, entry.name))
    .map((file) => ({ file, text: readFileSync(file, 'utf8') }))
    .filter(({ text }) => text.search(imported) >= 0)

  const entry = {}
  for (const { text } of sources) {
    for (const [specifier, part = 'index'] of text.matchAll(imported)) {
      entry[part] = fileURLToPath(import.meta.resolve(specifier))
    }
  }
  await build({
    configFile: false,
    logLevel: 'warn',
    publicDir: false,
    build: { outDir, target: 'node20', minify: false, lib: { formats: ['es'], entry } },
  })
  copyFileSync(join(dirname(fileURLToPath(import.meta.resolve(name))), '../license'), join(outDir, 'license'))

  for (const { file, text } of sources) {
    const way = relative(dirname(file), outDir).split(sep).join('/')
    writeFileSync(
      file,
      text.replace(imported, (_specifier, part = 'index') => `${way}/${part}.js`),
    )
  }
}
