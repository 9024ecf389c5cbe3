// Tables of figures in DEVELOPERS.md, and the machine that they are of.
import { readFileSync, writeFileSync } from 'node:fs'
import { cpus, platform, release, totalmem } from 'node:os'
import { fileURLToPath } from 'node:url'

const DOCUMENT = fileURLToPath(new URL('../../DEVELOPERS.md', import.meta.url))

/** Between the marks of this name, in the place of what stands there. */
export function writeTable(name, table) {
  const text = readFileSync(DOCUMENT, 'utf8')
  const between = new RegExp(`(<!-- ${name} -->\\n)[\\s\\S]*(\\n<!-- /${name} -->)`)
  if (!between.test(text)) throw new Error(`DEVELOPERS.md has no place for what was ${name}`)
  writeFileSync(
    DOCUMENT,
    text.replace(between, (_all, before, after) => before + table + after),
  )
}

export function machine() {
  const [first] = cpus()
  return `${cpus().length} cores (${first?.model.trim() ?? 'unknown'}), ${Math.round(totalmem() / 1024 ** 3)} GiB, ${platform()} ${release()}, Node.js ${process.versions.node}`
}
