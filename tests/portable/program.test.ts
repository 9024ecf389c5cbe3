/** The portable program without its runtime: bundled, it does what dist/ does, and is started by a double click. */
import { chownSync, existsSync, mkdtempSync, readFileSync, rmSync, statSync, symlinkSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { beforeAll, describe, expect, onTestFinished, test } from 'vitest'
import { run } from '../clients/program.ts'
import { type Served, serveFolder, sha256, untilAllDone } from '../clients/served.ts'
import { ANOTHER_USER, needs } from '../needs.ts'
import { browser, bundled, openedAddress, openWindow, portableFolder } from './portable-folder.ts'

const AS_ANOTHER_USER = ['setpriv', `--reuid=${ANOTHER_USER}`, `--regid=${ANOTHER_USER}`, '--clear-groups']
const PRACTICE = new URL('../../staging/practice-image.bin', import.meta.url)

const whenAllDone = untilAllDone()
let folder = ''
let fetchproof = ''

beforeAll(async () => {
  folder = await portableFolder(whenAllDone)
  fetchproof = join(folder, 'fetchproof')
}, 120_000)

describe('the launcher', needs('POSIX'), () => {
  test('passes arguments through, and the exit status back', async () => {
    const { version } = await bundled()
    expect(await run(fetchproof, ['--version'])).toMatchObject({ status: 0, stdout: `${version}\n` })
    expect((await run(fetchproof, ['audit', '--no such flag', 'it’s'])).status).toBe(2)
    const images = await run(fetchproof, ['images', join(folder, 'staging'), '--format', 'json'])
    expect(images).toMatchObject({ status: 0, stderr: '' })
    expect(JSON.parse(images.stdout)).toMatchObject({
      images: [{ name: 'practice-image.bin', state: 'ready' }],
    })
  })

  test('finds its folder through a link', async () => {
    const { folder: elsewhere } = browser()
    symlinkSync(fetchproof, join(elsewhere, 'fetchproof'))
    expect((await run(join(elsewhere, 'fetchproof'), ['--version'])).status).toBe(0)
  })
})

describe('served by the bundled program', () => {
  let served: Served

  beforeAll(async () => {
    const program = [process.execPath, join(folder, 'program/server/bundle/main.js')]
    served = await serveFolder(join(folder, 'staging'), { program, cleanUp: whenAllDone })
  })

  test('an image arrives as it is, its format checked and its digest compared', async () => {
    const entry = await served.image('practice-image.bin')
    expect(entry).toMatchObject({ published: { standing: 'matches' }, format: { kind: expect.any(String) } })
    const body = Buffer.from(
      await (await fetch(`http://127.0.0.1:${served.port}/practice-image.bin`)).arrayBuffer(),
    )
    expect(sha256(body)).toBe(sha256(readFileSync(PRACTICE)))
    expect(await served.entry('fetch-ended')).toMatchObject({ bytesHandedOver: body.length })
  })

  test('the bench page is there, whole', async () => {
    await served.image('practice-image.bin')
    const lock = JSON.parse(readFileSync(join(folder, 'staging/.fetchproof/lock.json'), 'utf8'))
    const page = await fetch(`http://127.0.0.1:${lock.pagePort}/`)
    const html = await page.text()
    expect([page.status, html]).toEqual([200, expect.stringContaining('<title>')])
    const parts = [...html.matchAll(/(?:src|href)="\.\/(assets\/[^"]+)"/g)].map(([, part]) => part)
    expect(parts.length).toBeGreaterThanOrEqual(2)
    for (const part of parts) {
      const found = await fetch(`http://127.0.0.1:${lock.pagePort}/${part}`)
      expect([part, found.status]).toEqual([part, 200])
      expect((await found.arrayBuffer()).byteLength).toBe(
        statSync(join(folder, 'program/bench/page', part ?? '')).size,
      )
    }
  })

  test('the record is whole', async () => {
    const checked = await run(fetchproof, ['audit', '--check', join(folder, 'staging')])
    expect(checked).toMatchObject({ status: 0, stdout: expect.stringContaining('intact') })
  })
})

describe('a double click', needs('Linux', 'script'), () => {
  test('serves the folder beside it and opens the bench page; Ctrl-C ends it and closes the window', async () => {
    const own = await portableFolder(onTestFinished)
    const { folder: tools, opened } = browser()
    const window = openWindow(join(own, 'fetchproof'), { PATH: `${tools}:${process.env.PATH}` })
    await expect.poll(() => window.text(), { timeout: 25_000 }).toContain('practice-image.bin')
    await expect.poll(() => existsSync(opened), { timeout: 15_000 }).toBe(true)
    expect((await fetch(openedAddress(opened))).status).toBe(200)
    window.press('\u0003')
    expect(await window.ended, window.text()).toBe(0)
    expect(window.text()).not.toContain('Press Enter')
  })

  test('that fails keeps the window open until Enter is pressed', needs('another user'), async () => {
    const own = await portableFolder(onTestFinished)
    const window = openWindow(join(own, 'fetchproof'), {}, AS_ANOTHER_USER)
    await expect.poll(() => window.text(), { timeout: 25_000 }).toContain('Press Enter')
    expect(window.text().replace(/\s+/g, ' ')).toMatch(
      /The ledger cannot be written in .*staging.*\. Name a writable place with --records DIR/,
    )
    window.press('\r')
    expect(await window.ended).toBe(3)
  })
})

test('from a stick that cannot be written it serves with --records', needs('another user'), async () => {
  const records = mkdtempSync(join(tmpdir(), 'fetchproof-records-'))
  onTestFinished(() => rmSync(records, { recursive: true, force: true }))
  chownSync(records, ANOTHER_USER, ANOTHER_USER)
  const program = [...AS_ANOTHER_USER, fetchproof]
  const served = await serveFolder(join(folder, 'staging'), {
    program,
    cleanUp: onTestFinished,
    flags: ['--records', records],
  })
  await served.image('practice-image.bin')
  expect(await served.stop()).toBe(0)
})
