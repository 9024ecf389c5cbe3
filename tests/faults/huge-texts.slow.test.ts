/** Checksum texts that no maker writes, in the folder of the running program: said once each, and serving goes on. */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { expect, it, onTestFinished } from 'vitest'
import { exchange, parseHead, request } from '../clients/raw-client.ts'
import { imageBytes, serveFiles, sha256 } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { deepJson } from '../trust/digests/hostile.ts'
import { shown } from './bench.ts'
import { mostResidentBytes } from './process-figures.ts'

const IMAGE = imageBytes(200_000)
const OTHER = sha256(imageBytes(10, 'other'))
const MIB = 1024 * 1024
const TEXTS: Readonly<Record<string, () => string>> = {
  'checksums.txt': () => `${OTHER}  other.bin\n${'ab cd ef.bin\n'.repeat(1_000_000)}`,
  SHA256SUMS: () => `${OTHER} `.repeat((50 * MIB) / 65),
  'notes.txt': () => `${OTHER}  another.bin\n`.repeat((50 * MIB) / 78),
}

it('a million lines, a line of 50 MB, a text of 50 MB, deep JSON', {
  timeout: 90_000,
  ...needs('Linux'),
}, async () => {
  const served = await serveFiles({ 'fw.bin': IMAGE }, { cleanUp: onTestFinished })
  const put = (name: string, text: string): void => writeFileSync(join(served.folder, name), text)
  for (const [name, text] of Object.entries(TEXTS)) put(name, text())
  put('hashes.json', deepJson(8 * MIB))
  put('fw.bin.sha256', sha256(IMAGE))
  const files = Object.keys(TEXTS)
  let isOver = false
  const over = shown(
    join(served.folder, '.fetchproof'),
    ({ unused, images }) =>
      files.every((file) => unused.some((each) => each.file === file)) &&
      images.some(({ name, published }) => name === 'fw.bin' && published.standing === 'matches'),
    80_000,
  ).finally(() => {
    isOver = true
  })
  let fetched = 0
  while (!isOver) {
    const { raw, client } = await exchange(served.port, request('/fw.bin'))
    expect([parseHead(raw)?.status, client.bodySha256()]).toEqual([200, sha256(IMAGE)])
    fetched += 1
  }
  const { unused } = await over
  expect(fetched).toBeGreaterThan(1)
  for (const file of files) {
    const said = unused.filter((each) => each.file === file).map(({ line, reason }) => `${line} ${reason}`)
    expect(new Set(said).size).toBe(said.length)
    expect(said.length).toBeLessThanOrEqual(42)
  }
  expect(unused.find(({ file }) => file === 'SHA256SUMS')?.reason).toContain('bytes')
  expect(mostResidentBytes(served.process.pid ?? 0)).toBeLessThan(900e6)
})
