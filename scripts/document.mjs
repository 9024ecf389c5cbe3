// The tables in DEVELOPERS.md that follow from the code: error codes and ledger entries.
// `npm run document` writes them; a test holds the document against them.
import { readFileSync, writeFileSync } from 'node:fs'
import { fileURLToPath } from 'node:url'

const DOCUMENT = fileURLToPath(new URL('../DEVELOPERS.md', import.meta.url))

/** Name of the place in the document -> its Markdown. `code`: the built or transformed modules. */
export function tables({ ERROR_MESSAGES, ENTRY_KINDS, ENTRY_SCHEMAS }) {
  const errors = Object.entries(ERROR_MESSAGES).map(([code, message]) => `| \`${code}\` | ${cell(message)} |`)
  const entries = ENTRY_KINDS.map((kind) => `| \`${kind}\` | ${members(ENTRY_SCHEMAS[kind])} |`)
  return {
    errors: ['| code | message |', '| --- | --- |', ...errors].join('\n'),
    entries: [
      '| kind | members beside `seq`, `at`, `kind`, `prev`, `sum`; `?` marks those that may be absent |',
      '| --- | --- |',
      ...entries,
    ].join('\n'),
  }
}

/** The document with each table in its place, `<!-- NAME -->` to `<!-- /NAME -->`. */
export function withTables(document, filled) {
  return Object.entries(filled).reduce((text, [name, table]) => {
    const place = new RegExp(`(<!-- ${name} -->\n)[\\s\\S]*?(<!-- /${name} -->)`)
    if (!place.test(text)) throw new Error(`DEVELOPERS.md has no place for ${name}`)
    return text.replace(place, (_all, before, after) => `${before}${table}\n${after}`)
  }, document)
}

const CHAIN_MEMBERS = new Set(['seq', 'at', 'kind', 'prev', 'sum'])

function members(schema) {
  const required = new Set(schema.required ?? [])
  return Object.entries(schema.properties)
    .filter(([name]) => !CHAIN_MEMBERS.has(name))
    .map(([name, member]) => `\`${name}${required.has(name) ? '' : '?'}\`${inner(member)}`)
    .join(', ')
}

function inner(member) {
  const shape = member.type === 'array' ? member.items : member
  if (shape?.enum !== undefined) return ` (${shape.enum.join(', ')})`
  return shape?.properties === undefined ? '' : ` (${members(shape)})`
}

function cell(text) {
  return text.replaceAll('|', '\\|')
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const { ERROR_MESSAGES } = await import('../dist/server/errors.js')
  const { ENTRY_KINDS, ENTRY_SCHEMAS } = await import('../dist/server/ledger/entries.js')
  const filled = tables({ ERROR_MESSAGES, ENTRY_KINDS, ENTRY_SCHEMAS })
  writeFileSync(DOCUMENT, withTables(readFileSync(DOCUMENT, 'utf8'), filled))
}
