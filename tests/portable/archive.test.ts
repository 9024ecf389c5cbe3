/** Archives: the same files give the same bytes, and general-purpose programs read them. */
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { archiveOf } from '../../scripts/portable/archive.mjs'
import { sumsOf } from '../../scripts/portable/files.mjs'
import { licencesOf } from '../../scripts/portable/licences.mjs'
import { tarEntries } from '../../scripts/portable/tar.mjs'
import { run } from '../clients/program.ts'
import { imageBytes, sha256 } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { bundled } from './portable-folder.ts'

const FILES = [
  { name: 'top/run', bytes: Buffer.from('#!/bin/sh\nexit 7\n'), mode: 0o755 },
  { name: 'top/empty', bytes: Buffer.alloc(0), mode: 0o644 },
  { name: 'top/deep/er/image.bin', bytes: imageBytes(100_000), mode: 0o644 },
]

function inFolder(bytes: Uint8Array, name: string): string {
  const folder = mkdtempSync(join(tmpdir(), 'fetchproof-archive-'))
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }))
  writeFileSync(join(folder, name), bytes)
  return folder
}

function expectAllIn(folder: string): void {
  for (const { name, bytes } of FILES) expect(sha256(readFileSync(join(folder, name)))).toBe(sha256(bytes))
}

test('a tar.gz unpacks to the same files, one of which runs (GNU tar)', needs('tar', 'gzip'), async () => {
  const folder = inFolder(archiveOf('tar.gz', FILES), 'a.tar.gz')
  expect(await run('tar', ['-xzf', 'a.tar.gz'], { cwd: folder })).toMatchObject({ status: 0, stderr: '' })
  expectAllIn(folder)
  expect((await run(join(folder, 'top/run'), [])).status).toBe(7)
  const list = await run('tar', ['-tvzf', 'a.tar.gz'], {
    cwd: folder,
    env: { TZ: 'UTC', PATH: process.env.PATH },
  })
  expect(list.stdout.split('\n').filter((line) => !line.includes('2026-01-01 00:00'))).toEqual([''])
})

test('a zip unpacks to the same files (Info-ZIP)', needs('unzip'), async () => {
  const folder = inFolder(archiveOf('zip', FILES), 'a.zip')
  expect(await run('unzip', ['-q', 'a.zip'], { cwd: folder })).toMatchObject({ status: 0, stderr: '' })
  expectAllIn(folder)
})

test.each(['zip', 'tar.gz'])('a %s is the same bytes whatever order and time zone it is made in', (kind) => {
  const made = sha256(archiveOf(kind, FILES))
  const before = process.env.TZ
  process.env.TZ = 'Pacific/Auckland'
  onTestFinished(() => {
    if (before === undefined) delete process.env.TZ
    else process.env.TZ = before
  })
  expect(new Date(2026, 0, 1).getTimezoneOffset()).not.toBe(0)
  expect(sha256(archiveOf(kind, FILES.toReversed()))).toBe(made)
})

test('what a tar holds is read back from what GNU tar wrote', needs('tar'), async () => {
  const folder = inFolder(FILES[2]?.bytes ?? Buffer.alloc(0), 'image.bin')
  writeFileSync(join(folder, 'note'), 'x')
  await run('tar', ['--format=ustar', '-cf', 'a.tar', 'note', 'image.bin'], { cwd: folder })
  const found = tarEntries(readFileSync(join(folder, 'a.tar')), ['image.bin', 'absent'])
  expect([...found.keys()]).toEqual(['image.bin'])
  expect(sha256(found.get('image.bin') ?? Buffer.alloc(0))).toBe(sha256(FILES[2]?.bytes ?? Buffer.alloc(0)))
})

test('SHA256SUMS is in the form that sha256sum -c reads', needs('sha256sum', 'tar', 'gzip'), async () => {
  const folder = inFolder(archiveOf('tar.gz', FILES), 'a.tar.gz')
  await run('tar', ['-xzf', 'a.tar.gz'], { cwd: folder })
  writeFileSync(join(folder, 'SHA256SUMS'), sumsOf(FILES))
  const checked = await run('sha256sum', ['--strict', '-c', 'SHA256SUMS'], { cwd: folder })
  expect(checked).toMatchObject({ status: 0, stdout: expect.stringContaining('top/deep/er/image.bin: OK') })
})

test('each package that the program runs with is in the bundle with its licence', async () => {
  const { licences } = await bundled()
  const { dependencies } = JSON.parse(
    readFileSync(new URL('../../package.json', import.meta.url), 'utf8'),
  ) as {
    dependencies: Record<string, string>
  }
  for (const [name, version] of Object.entries(dependencies))
    expect(licences).toContain(`\n${name} ${version} (`)
  // Built into the page.
  expect(licences).toMatch(/^preact \d+\.\d+\.\d+ \(MIT\)$/m)
  expect(licences.match(/Permission is hereby granted/g)?.length).toBeGreaterThan(40)
  expect(licencesOf('/', [])).toBe('')
})
