import { existsSync, readdirSync, readFileSync } from 'node:fs'
import { dirname, join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, test } from 'vitest'
import { tables, withTables } from '../../scripts/document.mjs'
import { ERROR_MESSAGES } from '../../server/errors.ts'
import { ENTRY_KINDS, ENTRY_SCHEMAS } from '../../server/ledger/entries.ts'

const root = fileURLToPath(new URL('../..', import.meta.url))
const document = readFileSync(join(root, 'DEVELOPERS.md'), 'utf8')

test('the tables of error codes and ledger entries are those of the code ("npm run document" writes them)', () => {
  const filled = tables({ ERROR_MESSAGES, ENTRY_KINDS, ENTRY_SCHEMAS })
  expect(document).toBe(withTables(document, filled))
})

test('every error code is used, and only codes of the table are', () => {
  const used = new Set<string>()
  for (const file of readdirSync(join(root, 'server'), { recursive: true, encoding: 'utf8' })) {
    if (!/\.tsx?$/.test(file) || file === 'errors.ts') continue
    for (const [code] of readFileSync(join(root, 'server', file), 'utf8').matchAll(/FP_[A-Z_]+/g))
      used.add(code)
  }
  const known = Object.keys(ERROR_MESSAGES)
  expect(known.filter((code) => !used.has(code))).toEqual([])
  expect([...used].filter((code) => !known.includes(code) && code !== 'FP_FAULT')).toEqual([])
})

test('where a change goes names files that there are', () => {
  const table = document.slice(document.indexOf('| change | files |')).split('\n\n')[0] ?? ''
  const files = table.split('\n').flatMap((row) => {
    let folder = ''
    return [...(row.split('|')[2] ?? '').matchAll(/`([a-z][\w/-]*\.ts)`/g)].map(([, name = '']) => {
      // A bare name stands in the folder of the one before it.
      if (name.includes('/')) folder = dirname(name)
      return name.includes('/') ? name : join(folder, name)
    })
  })
  expect(files.length).toBeGreaterThan(10)
  expect(files.filter((file) => !existsSync(join(root, 'server', file)))).toEqual([])
})

test('every dependency has its reason, and so has every version that is held back', () => {
  const { dependencies, devDependencies, overrides } = JSON.parse(
    readFileSync(join(root, 'package.json'), 'utf8'),
  ) as Record<'dependencies' | 'devDependencies' | 'overrides', Record<string, string>>
  const rows = document.split('\n').filter((line) => line.startsWith('| `'))
  const reasons = new Set(rows.flatMap((row) => row.split('|')[1]?.match(/(?<=`)[^`, ]+(?=`)/g) ?? []))
  for (const name of Object.keys({ ...dependencies, ...devDependencies })) expect(reasons).toContain(name)
  for (const [name, version] of Object.entries(overrides)) {
    expect(rows.filter((row) => row.startsWith(`| \`${name}\` | ${version}`))).toHaveLength(1)
  }
})
