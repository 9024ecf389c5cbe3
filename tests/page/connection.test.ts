/** The page when its server goes away and comes back. */
import { mkdtemp, realpath, rm } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { expect, onTestFinished, test } from 'vitest'
import { noise } from '../bench/running.ts'
import { inPage, usePages } from './browser.ts'

const pages = usePages()
const GONE = /ERR_CONNECTION_REFUSED|ERR_INCOMPLETE_CHUNKED|Failed to load resource/

async function folder(): Promise<string> {
  const made = await realpath(await mkdtemp(join(tmpdir(), 'visit-')))
  onTestFinished(() => rm(made, { recursive: true, force: true }))
  return made
}

test('it says that the server is gone, keeps what it knew, and goes on by itself', async () => {
  const place = await folder()
  const first = await pages.run({ folder: place })
  await first.stage('desk.bin', noise(5000))
  const tab = await pages.open(first, { mayComplain: GONE })
  await tab.getByRole('article', { name: 'desk.bin' }).waitFor()
  await first.close()
  await tab.getByText('The server does not answer, and devices cannot fetch now.').waitFor()
  await tab.getByText(`fetchproof serve "${place}"`, { exact: true }).waitFor()
  expect(await tab.title()).toBe('No answer - Fetchproof')
  await tab.getByRole('article', { name: 'desk.bin' }).waitFor()
  expect(await tab.getByRole('button', { name: 'choose files' }).count()).toBe(0)

  const second = await pages.run({ folder: place, pagePort: first.pagePort })
  await tab.getByText('The server does not answer, and devices').waitFor({ state: 'detached' })
  await second.stage('new.bin', noise(6000, 2))
  await tab.getByRole('article', { name: 'new.bin' }).waitFor()
  await tab.getByText('The server was started anew, so this page is read-only now.').waitFor()
  expect(await tab.getByRole('button', { name: 'choose files' }).count()).toBe(0)

  await inPage(tab, `location.hash = '#token=${second.token}'`)
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
  expect(tab.url()).toBe(`${second.page}/`)
})

/** A tab behind others is not painted: its animation frames do not come, and its timers come late. */
const NOT_PAINTED = `
  requestAnimationFrame = () => 0
  const soon = setTimeout
  setTimeout = (act, ms = 0, ...more) => soon(act, ms + 2_000, ...more)`

test('it draws what came before it was first painted, though nothing changes after that', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(5000))
  const tab = await pages.open(run, { before: NOT_PAINTED })
  await tab.getByRole('article', { name: 'desk.bin' }).waitFor({ timeout: 10_000 })
})

/** Ten seconds pass in half of one; the server's heartbeat comes each five real ones. */
const TIME_FLIES = `
  const real = performance.now.bind(performance)
  performance.now = () => real() * 20`

test('it says so when the server stands still though the connection is open, and is back with its next word', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(5000))
  const tab = await pages.open(run, { before: TIME_FLIES })
  await tab.getByText('The server does not answer, and devices cannot fetch now.').waitFor()
  await tab.getByText('The server does not answer, and devices').waitFor({ state: 'detached' })
})

test('a tab that nobody looks at rests while another one is looked at, and knows all when it is looked at again', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(5000))
  const tab = await pages.open(run)
  await tab.getByRole('article', { name: 'desk.bin' }).waitFor()
  await inPage(
    tab,
    `Object.defineProperty(document, 'hidden', { value: true, configurable: true });
     new BroadcastChannel('fetchproof-bench').postMessage('shown')`,
  )
  await run.stage('new.bin', noise(6000, 2))
  await pause(1_000)
  expect(await tab.getByRole('article', { name: 'new.bin' }).count()).toBe(0)
  await inPage(tab, `delete document.hidden; document.dispatchEvent(new Event('visibilitychange'))`)
  await tab.getByRole('article', { name: 'new.bin' }).waitFor()
})
