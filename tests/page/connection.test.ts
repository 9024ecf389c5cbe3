/** The page when its server goes away and comes back. */
import { mkdtemp, realpath, rm } from 'node:fs/promises'
import { createServer, type IncomingMessage } from 'node:http'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { noise } from '../bench/running.ts'
import { inPage, openImage, usePages } from './browser.ts'

const pages = usePages()
const GONE = /ERR_CONNECTION_REFUSED|ERR_INCOMPLETE_CHUNKED|Failed to load resource/

async function folder(): Promise<string> {
  const made = await realpath(await mkdtemp(join(tmpdir(), 'visit-')))
  onTestFinished(() => rm(made, { recursive: true, force: true }))
  return made
}

test('it says that the server is gone, keeps what it knew, and goes on by itself', async () => {
  const place = await folder()
  const first = await pages.run({ folder: place, settings: { port: 8088, onlyPlanned: true } })
  await first.stage('desk.bin', noise(5000))
  const tab = await pages.open(first, { mayComplain: GONE })
  await tab.getByRole('listitem', { name: 'desk.bin' }).waitFor()
  await first.close()
  await tab.getByText('The server does not answer, and devices cannot fetch now.').waitFor()
  // It would lead away from the page, into nothing.
  expect(await tab.getByRole('link', { name: 'Save the report' }).count()).toBe(0)
  const line = await tab.getByRole('region', { name: 'Attention' }).locator('code').first().textContent()
  expect(line).toMatch(`fetchproof serve "${place}" --port 8088 `)
  expect(line).toMatch(/ --only-planned$| --only-planned /)
  expect(line).toMatch(new RegExp(` --page-port ${first.pagePort}$`))
  expect(await tab.title()).toBe('No answer - Fetchproof')
  await tab.getByRole('listitem', { name: 'desk.bin' }).waitFor()
  expect(await tab.getByRole('button', { name: 'choose files' }).count()).toBe(0)

  const { token, pagePort } = first
  const second = await pages.run({ folder: place, pagePort, token })
  await tab.getByText('The server does not answer, and devices').waitFor({ state: 'detached' })
  await second.stage('new.bin', noise(6000, 2))
  await tab.getByRole('listitem', { name: 'new.bin' }).waitFor()
  // With the right to change things.
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
})

test('with a new token the page is read-only until it gets it', async () => {
  const place = await folder()
  const first = await pages.run({ folder: place })
  const tab = await pages.open(first, { mayComplain: GONE })
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
  await first.close()
  await tab.getByText('The server does not answer, and devices').waitFor()
  const second = await pages.run({ folder: place, pagePort: first.pagePort })
  await tab.getByText('What answers here does not know the token of this page').waitFor()
  expect(await tab.getByRole('button', { name: 'choose files' }).count()).toBe(0)
  await inPage(tab, `location.hash = '#token=${second.token}'`)
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
  expect(tab.url()).toBe(`${second.page}/`)
})

test('what somebody had typed was gone when the server was', async () => {
  const place = await folder()
  const first = await pages.run({ folder: place })
  await first.stage('empty.bin', '')
  const tab = await pages.open(first, { mayComplain: GONE })
  await openImage(tab, 'empty.bin')
  await tab.getByRole('button', { name: 'lift the hold (empty.bin)' }).click()
  const why = tab.getByLabel('Why may this image be served all the same?')
  await why.fill('a marker file, says the maker')
  await first.close()
  await tab.getByText('The server does not answer, and devices cannot fetch now.').waitFor()
  await tab.getByText('Nothing can be changed at this moment').waitFor()
  expect(await why.inputValue()).toBe('a marker file, says the maker')
  expect(await tab.getByRole('button', { name: 'Lift the hold', exact: true }).isDisabled()).toBe(true)
  const second = await pages.run({ folder: place, pagePort: first.pagePort })
  await inPage(tab, `location.hash = '#token=${second.token}'`)
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
  await tab.getByRole('button', { name: 'Lift the hold', exact: true }).click()
  await tab.getByText('a marker file, says the maker', { exact: true }).first().waitFor()
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
  await tab.getByRole('listitem', { name: 'desk.bin' }).waitFor({ timeout: 10_000 })
})

/** What a browser does with a tab that is put behind another one. */
const HIDES = `
  let visibility = 'visible'
  Object.defineProperty(document, 'visibilityState', { get: () => visibility })
  window.turn = (to) => {
    visibility = to
    document.dispatchEvent(new Event('visibilitychange'))
  }`

test('six open tabs left a seventh without an answer', async () => {
  const run = await pages.run()
  const first = await pages.open(run, { before: HIDES })
  const tabs = [first]
  for (let more = 0; more < 7; more += 1) {
    await inPage(tabs.at(-1) ?? first, "turn('hidden')")
    const tab = await first.context().newPage()
    tabs.push(tab)
    await tab.goto(run.page)
    await tab.getByRole('heading', { name: 'Images' }).waitFor({ timeout: 15_000 })
  }
  await run.stage('desk.bin', noise(5000))
  await tabs.at(-1)?.getByRole('listitem', { name: 'desk.bin' }).waitFor()
  await inPage(first, "turn('visible')")
  await first.getByRole('listitem', { name: 'desk.bin' }).waitFor()
})

test('a tab that nobody sees still says in its title that something needs a hand', async () => {
  const run = await pages.run()
  const tab = await pages.open(run, {
    before: `${HIDES}; const often = setInterval; setInterval = (act, ms) => often(act, ms / 10)`,
  })
  await inPage(tab, "turn('hidden')")
  await run.stage('empty.bin', '')
  await expect.poll(() => tab.title(), { timeout: 15_000 }).toBe('Needs attention - Fetchproof')
})

/** The page's clock that only goes forward, and what it does each second. */
const FIVE_TIMES_AS_FAST = `{
  const now = performance.now.bind(performance)
  performance.now = () => now() * 5
  const often = setInterval
  setInterval = (act, ms) => often(act, ms / 5)
}`

test('a server that was stopped looked live', async () => {
  const run = await pages.run({ bench: { heartbeatMs: 3_600_000 } })
  const tab = await pages.open(run, { before: FIVE_TIMES_AS_FAST })
  await tab.getByText(/^No word from the server for \d\d s/).waitFor({ timeout: 25_000 })
  await tab.getByText(/^no word from the server for \d+ s$/).waitFor()
  expect(await tab.title()).toBe('No answer - Fetchproof')
  await run.stage('desk.bin', noise(5000))
  await tab.getByRole('listitem', { name: 'desk.bin' }).waitFor()
  await tab.getByText(/^No word from the server/).waitFor({ state: 'detached' })
})

test('what was asked of a stopped server was waited for without end', async () => {
  const run = await pages.run()
  await run.stage('empty.bin', '')
  const soon = `const { timeout } = AbortSignal; AbortSignal.timeout = (ms) => timeout.call(AbortSignal, ms / 10)`
  const tab = await pages.open(run, { before: soon })
  await openImage(tab, 'empty.bin')
  await tab.getByRole('button', { name: 'lift the hold (empty.bin)' }).waitFor()
  await tab.route('**/api/lift', () => undefined)
  await tab.getByRole('button', { name: 'lift the hold (empty.bin)' }).click()
  await tab.getByLabel('Why may this image be served all the same?').fill('a marker file')
  await tab.getByRole('button', { name: 'Lift the hold', exact: true }).click()
  await tab.getByText('The server did not answer within 15 s. Whether it was done is not known').waitFor()
  expect(await tab.getByRole('button', { name: 'Lift the hold', exact: true }).isEnabled()).toBe(true)
})

test('a token that could not be checked left the page read-only without a word', async () => {
  const run = await pages.run()
  const tab = await pages.open(run, { mayComplain: /ERR_FAILED/ })
  await tab.route('**/api/token', (route) => route.abort())
  await inPage(tab, `location.hash = '#token=${run.token}'`)
  await tab.getByText('The server has not said whether this page may change anything').waitFor()
  await tab.unroute('**/api/token')
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
})

test('a program that took the port of a server was told the token', async () => {
  const run = await pages.run()
  const tab = await pages.open(run, { mayComplain: GONE })
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
  const snapshot = await (await fetch(`${run.page}/api/snapshot`)).text()
  await run.close()
  await tab.getByText('The server does not answer, and devices').waitFor()
  const heard: IncomingMessage[] = []
  const thief = createServer((request, response) => {
    heard.push(request)
    if (request.url === '/api/stream') {
      response.writeHead(200, { 'content-type': 'text/event-stream' })
      response.write(`data: ${snapshot}\n\n`)
    } else response.end(JSON.stringify({ proof: 'ab'.repeat(32) }))
  })
  await new Promise<void>((listening) => thief.listen(run.pagePort, '127.0.0.1', listening))
  onTestFinished(async () => {
    thief.closeAllConnections()
    await new Promise((closed) => thief.close(closed))
  })
  // It need not even say that it is another run: whatever is asked then, it proves itself first.
  await tab.getByText('The server does not answer, and devices').waitFor({ state: 'detached' })
  await tab
    .locator('input[type=file]')
    .setInputFiles({ name: 'desk.bin', mimeType: 'application/octet-stream', buffer: noise(5000) })
  await tab.getByText('The server does not know the token of this page.').waitFor()
  expect(heard.some(({ url }) => url?.startsWith('/api/proof?nonce='))).toBe(true)
  expect(
    heard.flatMap(({ headers, url }) =>
      [headers.authorization ?? [], url?.includes(run.token) ? url : []].flat(),
    ),
  ).toEqual([])
})
