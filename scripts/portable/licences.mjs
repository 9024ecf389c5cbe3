// The licences of the packages whose modules stand in a bundle.
import { readdirSync, readFileSync } from 'node:fs'
import { join, sep } from 'node:path'

const LICENCE_FILE = /^(licen[cs]e|copying|notice)/i
/** Bundled by the build already, so that its modules do not say where they are from. */
const BUNDLED_BEFORE = /[\\/]dist[\\/]bundled[\\/]([^\\/]+)[\\/]/

/** One text: each package with its version and what its makers wrote. */
export function licencesOf(root, output) {
  const folders = new Set(
    output.flatMap((chunk) => chunk.moduleIds ?? []).flatMap((id) => packageFolder(root, id)),
  )
  return [...folders]
    .map(describe)
    .toSorted((a, b) => (a.title < b.title ? -1 : 1))
    .map(textOf)
    .join('\n')
}

function packageFolder(root, module) {
  const before = BUNDLED_BEFORE.exec(module)?.[1]
  if (before !== undefined) return [join(root, 'node_modules', before)]
  const parts = module.replace(/^\0/, '').split(/[\\/]/)
  const at = parts.lastIndexOf('node_modules')
  if (at < 0) return []
  const length = parts[at + 1]?.startsWith('@') ? 3 : 2
  return [parts.slice(0, at + length).join(sep)]
}

function describe(folder) {
  const { name, version, license, author } = JSON.parse(readFileSync(join(folder, 'package.json'), 'utf8'))
  const texts = readdirSync(folder)
    .filter((file) => LICENCE_FILE.test(file))
    .toSorted()
    .map((file) => readFileSync(join(folder, file), 'utf8').trim())
  const by = typeof author === 'object' ? author.name : author
  // Some packages name their licence and carry no text of it.
  if (texts.length === 0)
    texts.push(`${license}${by === undefined ? '' : `, by ${by}`}; the package carries no text of it.`)
  return { title: `${name} ${version} (${license})`, texts }
}

function textOf({ title, texts }) {
  return `${'='.repeat(78)}\n${title}\n${'='.repeat(78)}\n\n${texts.join('\n\n')}\n`
}
