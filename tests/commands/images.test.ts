/** `fetchproof images`: what is offered, and what lies beside it that a person may take for an image. */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { imageBytes, serveHere, stagingFolder } from '../clients/served.ts'
import { inProcess } from './in-process.ts'

const FILES = {
  'core.bin': imageBytes(5_000),
  'gate.bin': imageBytes(4_000),
  'gate.bin.aria2': Buffer.from('control'),
  'stock.xlsx': Buffer.from('504b03041400', 'hex'),
  'Thumbs.db': imageBytes(100),
}

test('says what is not offered, and why, in text and JSON', async () => {
  const folder = await stagingFolder(FILES, onTestFinished)
  const text = (await inProcess(['images', folder])).stdout
  expect(text).toContain('not offered: stock.xlsx (a spreadsheet; if it is the visit sheet, save it as CSV')
  expect(text).toMatch(/not offered: gate\.bin \(being downloaded: gate\.bin\.aria2 stands beside it/)
  expect(text).not.toContain('Thumbs.db')
  const { images, notOffered } = JSON.parse((await inProcess(['images', folder, '--format', 'json'])).stdout)
  expect(images).toMatchObject([{ name: 'core.bin', state: 'ready' }])
  expect(notOffered).toMatchObject([
    { name: 'gate.bin' },
    { name: 'stock.xlsx', why: expect.stringMatching(/^a spreadsheet; /) },
  ])
})

test('says the same of a folder that is being served, and of what came meanwhile', async () => {
  const folder = await stagingFolder(FILES, onTestFinished)
  const served = await serveHere(folder, { cleanUp: onTestFinished })
  await served.image('core.bin')
  writeFileSync(join(folder, 'maker.url'), '[InternetShortcut]')
  await served.image('core.bin')
  await expect
    .poll(async () => {
      const { stdout } = await inProcess(['images', folder, '--format', 'json'])
      return JSON.parse(stdout).notOffered.map(({ name }: { name: string }) => name)
    })
    .toEqual(['gate.bin', 'maker.url', 'stock.xlsx'])
})

test.each([
  ['visit.csv.txt', /visit\.csv\.txt is not read as the visit sheet: rename it to visit\.csv/],
  ['visit (1).csv', /rename it to visit\.csv/],
  ['Visit.xlsx', /a spreadsheet; not read as the visit sheet: save it as CSV under the name visit\.csv/],
])('a visit sheet under the near name %s is pointed out by sheet, and by images', async (name, said) => {
  const folder = await stagingFolder({ [name]: Buffer.from('device\nsw1\n') }, onTestFinished)
  const sheet = await inProcess(['sheet', folder])
  expect(sheet.status).toBe(2)
  expect(sheet.stderr).toMatch(said)
  expect((await inProcess(['images', folder])).stdout).toContain(`not offered: ${name} (`)
})

test('says what checksum texts hold and was used for no image: file, line, reason, the image that it may concern', async () => {
  const digest = 'ab'.repeat(32)
  const lines = [
    `${digest}  gone.bin`,
    `${digest}  core_.bin`,
    'made by hand',
    `SHA3-256(core.bin)= ${digest}`,
  ]
  const files = { 'core.bin': imageBytes(5_000), SHA256SUMS: Buffer.from(`${lines.join('\n')}\n`) }
  const folder = await stagingFolder(files, onTestFinished)
  const text = (await inProcess(['images', folder])).stdout
  expect(text).toContain('not used: SHA256SUMS, line 1: gone.bin is not here.\n')
  const wanted = [
    { file: 'SHA256SUMS', line: 3, reason: expect.stringContaining('neither a digest') },
    { file: 'SHA256SUMS', line: 4, reason: '"SHA3-256" is not compared here.', image: 'core.bin' },
    { file: 'SHA256SUMS', line: 1, reason: 'gone.bin is not here.' },
    {
      file: 'SHA256SUMS',
      line: 2,
      reason: expect.stringContaining('Is it meant for core.bin?'),
      image: 'core.bin',
    },
  ]
  const { unused } = JSON.parse((await inProcess(['images', folder, '--format', 'json'])).stdout)
  expect(unused).toEqual(expect.arrayContaining(wanted))
  expect(unused).toHaveLength(wanted.length)
  const served = await serveHere(folder, { cleanUp: onTestFinished })
  await served.image('core.bin')
  const there = JSON.parse((await inProcess(['images', folder, '--format', 'json'])).stdout)
  expect(there.unused).toEqual(unused)
  expect(there.images[0].notes.join()).toContain('Is it meant for core.bin?')
})
