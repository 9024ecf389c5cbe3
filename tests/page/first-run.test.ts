/** The page before anything has happened: it teaches what comes next. */
import { expect, test } from 'vitest'
import { LOOPBACK_ONLY, noise } from '../bench/running.ts'
import { usePages } from './browser.ts'

const pages = usePages()

test('an empty folder: where images go, and what to mind before the first pull', async () => {
  const run = await pages.run()
  const tab = await pages.open(run)
  const next = tab.getByRole('region', { name: 'Attention' })
  await next.getByText('The staging folder is empty').waitFor()
  await next.getByText(run.folder, { exact: true }).waitFor()
  await tab.getByText('Drop an image anywhere on this page').waitFor()
  const cautions = tab.getByRole('region', { name: 'Before the first pull' })
  await cautions.getByText('Do not cut its power while it writes').waitFor()
  await cautions.getByText('emergency calls').waitFor()
})

test('a file that arrives settles, becomes ready, and shows its line for the address chosen; opened, that of each', async () => {
  const run = await pages.run({ settings: { settleMs: 300, settleUnsureMs: 6_000 } })
  const tab = await pages.open(run)
  const staged = run.stage('desk phone.bin', noise(5000))
  const entry = tab.getByRole('listitem', { name: 'desk phone.bin' })
  await entry
    .getByText(/^settling/)
    .first()
    .waitFor()
  await entry.getByText('nothing to check against', { exact: true }).waitFor()
  const line = entry.getByText('http://192.0.2.10:8080/desk-phone.bin', { exact: true })
  await line.waitFor()
  const other = entry.getByText('http://[2001:db8::10]:8080/desk-phone.bin', { exact: true })
  expect(await other.count()).toBe(0)
  await tab.getByLabel('Devices reach this laptop at').selectOption('2001:db8::10 in 2001:db8::/64')
  await other.waitFor()
  await line.waitFor({ state: 'detached' })
  await entry.getByRole('button', { name: 'desk phone.bin', exact: true }).click()
  await line.waitFor()
  await entry.getByText('5,000').waitFor()
  await staged
})

test('an impatient person makes a settling image ready', async () => {
  const run = await pages.run({ settings: { settleMs: 120_000, settleUnsureMs: 120_000 } })
  const tab = await pages.open(run)
  const staged = run.stage('desk.bin', noise(5000))
  const entry = tab.getByRole('listitem', { name: 'desk.bin' })
  await entry.getByText(/^settling, ready in about \d+ s/).waitFor()
  await entry.getByRole('button', { name: 'Ready now (desk.bin)' }).click()
  await entry.getByText('nothing to check against', { exact: true }).waitFor()
  await staged
})

test('a machine with nothing but loopback is told that no device can reach it, and gets no line', async () => {
  const run = await pages.run({ own: LOOPBACK_ONLY })
  await run.stage('desk.bin', noise(5000))
  const tab = await pages.open(run)
  await tab.getByText('This machine has no address that a device could reach').waitFor()
  expect(
    await tab.getByRole('listitem', { name: 'desk.bin' }).getByRole('button', { name: /^copy/ }).count(),
  ).toBe(0)
})

test('while nothing has connected it shows the line that opens the firewall', async () => {
  const firewall = [
    { program: 'tool', open: 'tool open 8080', close: 'tool close 8080', note: 'As administrator.' },
  ]
  const run = await pages.run({ bench: { firewall: () => firewall } })
  await run.stage('desk.bin', noise(5000))
  const tab = await pages.open(run)
  const next = tab.getByRole('region', { name: 'Attention' })
  await next.getByText('Nothing has connected yet').waitFor()
  await next.getByText('tool open 8080', { exact: true }).waitFor()
  run.depot.connectionSeen('192.0.2.10', '192.0.2.31')
  await tab.getByText('connections have come').waitFor()
  await next.getByText('Nothing has connected yet').waitFor({ state: 'detached' })
})

test('without the token the page is read-only and says so', async () => {
  const run = await pages.run()
  await run.stage('empty.bin', '')
  const tab = await pages.open(run, { readOnly: true })
  await tab.getByText('This page is read-only').waitFor()
  const entry = tab.getByRole('listitem', { name: 'empty.bin' })
  await entry.getByText('held', { exact: true }).waitFor()
  await entry.getByRole('button', { name: 'empty.bin', exact: true }).click()
  await entry.getByText('Published checksum').waitFor()
  expect(await tab.getByRole('button', { name: /lift the hold/ }).count()).toBe(0)
  expect(await tab.getByRole('button', { name: 'choose files' }).count()).toBe(0)
})

test('the token leaves the address bar and serves a reload of the tab', async () => {
  const run = await pages.run()
  const tab = await pages.open(run)
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
  expect(tab.url()).toBe(`${run.page}/`)
  await tab.reload()
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
})
