// Bundles a package of many small modules into a few files beside the built program, and leads its imports there.
import { copyFileSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { dirname, join, relative, sep } from 'node:path'
import { fileURLToPath } from 'node:url'
import { build } from 'vite'

/** `dist`: the built program; `specifiers`: what of the package it imports (`name`, `name/part`). */
export async function bundlePackage(dist, name, specifiers) {
  const outDir = join(dist, 'bundled', name)
  const fileOf = (specifier) => (specifier === name ? 'index' : specifier.slice(name.length + 1))
  await build({
    configFile: false,
    logLevel: 'warn',
    publicDir: false,
    build: {
      outDir,
      target: 'node20',
      minify: false,
      lib: {
        formats: ['es'],
        entry: Object.fromEntries(
          specifiers.map((specifier) => [fileOf(specifier), fileURLToPath(import.meta.resolve(specifier))]),
        ),
      },
    },
  })
  const license = join(dirname(fileURLToPath(import.meta.resolve(name))), '../license')
  copyFileSync(license, join(outDir, 'license'))

  for (const entry of readdirSync(dist, { recursive: true, withFileTypes: true })) {
    const file = join(entry.parentPath, entry.name)
    if (!entry.name.endsWith('.js') || file.startsWith(outDir)) continue
    const source = readFileSync(file, 'utf8')
    const led = source.replace(/(?<= from )'([^'\n]+)'(?=;$)/gm, (written, specifier) =>
      specifiers.includes(specifier)
        ? `'${relative(dirname(file), join(outDir, `${fileOf(specifier)}.js`))
            .split(sep)
            .join('/')}'`
        : written,
    )
    if (led !== source) writeFileSync(file, led)
  }
}
