/** The report and the sheet as the page saves them. */
import { readFile, symlink, writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { afterEach, beforeEach, expect, test } from 'vitest'
import { needs } from '../needs.ts'
import { change, codeOf, say } from './asking.ts'
import { device, noise, type Running, startRunning } from './running.ts'

let run: Running

beforeEach(async () => {
  run = await startRunning()
  await run.stage('desk.bin', noise(20_000))
  await device({ port: run.imagePort, path: '/desk.bin', from: '127.0.0.2' }).finish()
  const states = () => run.depot.pulls.pulls().map(({ state }) => state)
  await expect.poll(states, { timeout: 20_000 }).toEqual(['complete'])
})

afterEach(() => run.close())

test('the report comes as a file, as HTML and as CSV, with what was pulled in it', async () => {
  for (const [format, type] of [
    ['html', 'text/html; charset=utf-8'],
    ['csv', 'text/csv; charset=utf-8'],
  ]) {
    const heard = await say(run, { path: `/api/report?format=${format}` })
    expect([heard.status, heard.fields['content-type'], heard.fields['content-disposition']]).toEqual([
      200,
      type,
      `attachment; filename="visit-report.${format}"`,
    ])
    expect(heard.fields['cache-control']).toBe('no-store')
    expect(heard.text).toContain('desk.bin')
    expect(heard.text).toContain('127.0.0.2')
  }
  expect((await say(run, { path: '/api/report?format=pdf' })).status).toBe(400)
})

test('what was seen is saved as a visit sheet, which counts from then on', async () => {
  const heard = await change(run, '/api/sheet', {})
  expect([heard.status, JSON.parse(heard.text)]).toEqual([200, { saved: 'visit.csv' }])
  expect(await readFile(join(run.folder, 'visit.csv'), 'utf8')).toContain('127.0.0.2,127.0.0.2,,,desk.bin')
  await expect.poll(() => run.depot.visit.plan()?.devices[0]?.standing, { timeout: 10_000 }).toBe('pulled')
})

test('a sheet that is there stays as it is', async () => {
  await writeFile(join(run.folder, 'visit.csv'), 'device\nmine\n')
  const heard = await change(run, '/api/sheet', {})
  expect([heard.status, codeOf(heard)]).toEqual([409, 'FP_SHEET_EXISTS'])
  expect(await readFile(join(run.folder, 'visit.csv'), 'utf8')).toBe('device\nmine\n')
})

test('no sheet is written through a link', needs('POSIX'), async () => {
  const elsewhere = join(run.folder, 'elsewhere.md')
  await symlink(elsewhere, join(run.folder, 'visit.csv'))
  expect((await change(run, '/api/sheet', {})).status).toBe(409)
  await expect(readFile(elsewhere)).rejects.toThrow('ENOENT')
})

test('saving a sheet needs the token', async () => {
  expect((await change(run, '/api/sheet', {}, { authorization: 'Bearer none' })).status).toBe(401)
})
