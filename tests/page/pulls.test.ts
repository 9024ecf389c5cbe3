/** Pulls as the page shows them: side by side, stalled, cut and resumed, waiting, refused. */
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { expect, test } from 'vitest'
import { device, noise } from '../bench/running.ts'
import { inPage, usePages } from './browser.ts'

const pages = usePages()
const BYTES = 24 * 1024 * 1024

test('two at once, one stalled, each with its bar', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(BYTES))
  const tab = await pages.open(run)
  const port = run.imagePort
  const first = device({ port, path: '/desk.bin', from: '127.0.0.2', pauseAt: 2_000_000 })
  const second = device({ port, path: '/desk.bin', from: '127.0.0.3', pauseAt: 2_000_000 })
  const section = tab.getByRole('list', { name: 'Devices' })
  const row = (address: string) => section.getByRole('listitem').filter({ hasText: address })
  await row('127.0.0.2')
    .getByText(/^stalled [\d.]+ s$/)
    .waitFor()
  await row('127.0.0.3').getByRole('button', { name: '127.0.0.3: details' }).click()
  await row('127.0.0.3').getByText('It may be erasing its flash; keep its power on.').waitFor()
  const bar = row('127.0.0.2').getByRole('progressbar', { name: /^127\.0\.0\.2 has \d+ % of desk\.bin$/ })
  const share = Number(await bar.getAttribute('value'))
  expect(share).toBeGreaterThan(50)
  expect(share).toBeLessThan(1000)
  await first.finish()
  const over = tab.getByRole('region', { name: 'Finished pulls' })
  await over
    .getByRole('listitem')
    .filter({ hasText: '127.0.0.2' })
    .getByText('complete', { exact: true })
    .waitFor()
  await over.getByText('The device took every byte and closed normally.').waitFor()
  await row('127.0.0.2').getByText('done', { exact: true }).waitFor()
  expect(await row('127.0.0.3').getByText('stalled', { exact: true }).count()).toBe(1)
  second.breakOff()
})

test('one that is cut needs a hand, until it goes on and is complete', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(BYTES))
  const tab = await pages.open(run)
  const port = run.imagePort
  const cut = device({ port, path: '/desk.bin', pauseAt: 3_000_000 })
  await cut.has(3_000_000)
  cut.breakOff()
  const next = tab.getByRole('region', { name: 'Attention' })
  const over = tab.getByRole('region', { name: 'Finished pulls' })
  await over.getByText('incomplete', { exact: true }).waitFor()
  await over.getByText(/It broke off after at most [\d,]+ of 25,165,824 bytes/).waitFor()
  await next.getByText('127.0.0.1 has only part of desk.bin').waitFor()
  expect(await tab.title()).toBe('Needs attention - Fetchproof')
  await device({ port, path: '/desk.bin', fields: ['Range: bytes=1000000-'] }).finish()
  await over.getByText('complete', { exact: true }).waitFor()
  await over.getByText('resumed at byte 1000000').waitFor()
  await next.getByText('has only part of').waitFor({ state: 'detached' })
  expect(await over.getByRole('listitem').count()).toBe(1)
})

test('one that has everything and does not close is waited for', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(20_000))
  const tab = await pages.open(run)
  const slow = device({ port: run.imagePort, path: '/desk.bin', pauseAt: 1 })
  await slow.has(1)
  await tab.getByText('waiting for it to close').waitFor()
  await slow.finish()
  await tab.getByRole('region', { name: 'Finished pulls' }).getByText('complete', { exact: true }).waitFor()
})

test('the cautions fold away after the first pull, and stay at hand', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(20_000))
  const tab = await pages.open(run)
  await tab.getByRole('heading', { name: 'Before the first pull' }).waitFor()
  await device({ port: run.imagePort, path: '/desk.bin' }).finish()
  await tab.getByRole('heading', { name: 'Before the first pull' }).waitFor({ state: 'detached' })
  await tab.getByText('what to mind while devices pull').click()
  await tab.getByText('Do not cut its power while it writes').waitFor()
})

test('a request for what is not there is shown with the nearest name', async () => {
  const run = await pages.run()
  await run.stage('desk-switch.bin', noise(20_000))
  const tab = await pages.open(run)
  await device({ port: run.imagePort, path: '/desk-swich.bin', fields: ['User-Agent: Loader'] }).finish()
  const refused = tab.getByRole('region', { name: 'Refused' })
  await refused.getByText('/desk-swich.bin').waitFor()
  await refused.getByText('/desk-switch.bin').waitFor()
  await refused.getByText('Loader').waitFor()
})

test('a screen reader hears of what ends, and of nothing while bytes move', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(BYTES))
  const tab = await pages.open(run)
  await inPage(
    tab,
    `(() => {
      window.heard = []
      const region = document.querySelector('[aria-live=polite]')
      const listen = () => window.heard.push(region.textContent)
      new MutationObserver(listen).observe(region, { childList: true, characterData: true, subtree: true })
    })()`,
  )
  const heard = (): Promise<string[]> => inPage(tab, 'window.heard')
  const client = device({ port: run.imagePort, path: '/desk.bin', pauseAt: 2_000_000 })
  await tab.getByText(/^stalled [\d.]+ s$/).waitFor()
  await client.finish()
  await expect
    .poll(async () => (await heard()).join(' '), { timeout: 10_000 })
    .toContain('127.0.0.1: desk.bin, complete.')
  expect((await heard()).length).toBeLessThanOrEqual(3)
})

test('a device that pulls what is not planned for it is the first thing on the page, until it has the right one', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(BYTES))
  await run.stage('hall.bin', noise(BYTES, 2))
  await run.stage('empty.bin', '')
  await writeFile(join(run.folder, 'visit.csv'), 'device,address,image\ndesk,127.0.0.2,desk.bin\n')
  const tab = await pages.open(run)
  const steps = tab.getByRole('region', { name: 'Attention' }).getByRole('listitem')
  await tab.getByRole('button', { name: 'desk: details' }).waitFor()
  const wrong = device({ port: run.imagePort, path: '/hall.bin', from: '127.0.0.2', pauseAt: 2_000_000 })
  await steps
    .first()
    .getByText('desk (127.0.0.2) pulls hall.bin; planned is desk.bin. Stop it there')
    .waitFor()
  expect(await steps.first().textContent()).toContain('wrong image')
  expect(await tab.title()).toBe('Wrong image - Fetchproof')
  const row = tab.getByRole('list', { name: 'Devices' }).getByRole('listitem')
  await row.getByText(/^wrong image(?:, |$)/).waitFor()
  await row.getByText('hall.bin', { exact: true }).waitFor()
  await row.getByText('needs attention', { exact: true }).waitFor()
  await wrong.finish()
  await steps.first().getByText('Look at the device before it restarts.').waitFor()
  await device({ port: run.imagePort, path: '/desk.bin', from: '127.0.0.2' }).finish()
  await steps.getByText('hall.bin').waitFor({ state: 'detached' })
  expect(await steps.getByText('WRONG IMAGE').count()).toBe(0)
  await tab.getByRole('heading', { name: 'All 1 pulled.' }).waitFor()
})

test('how long the visit sheet takes stands under the tally, until all has been pulled', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', noise(20_000))
  await run.stage('visit.csv', 'device,address,image\nreading-room-sw1,127.0.0.4,desk.bin\n')
  const tab = await pages.open(run)
  const sheet = tab.locator('#tally')
  await sheet.getByText('1 device still has to pull 20 kB: at best under 1 s over 100 Mb/s').waitFor()
  await device({ port: run.imagePort, path: '/desk.bin', from: '127.0.0.4' }).finish()
  await sheet.getByText('still has to pull').waitFor({ state: 'detached' })
})
