/** What a person does with images on the page: copy, lift, compare, drop. */
import { createHash } from 'node:crypto'
import { mkdtemp, readFile, rm, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import type { Page } from 'playwright-core'
import { expect, onTestFinished, test } from 'vitest'
import { noise } from '../bench/running.ts'
import { clipboard, inPage, openImage, usePages } from './browser.ts'

const pages = usePages()
const IMAGE = noise(5000)
const sha256 = createHash('sha256').update(IMAGE).digest('hex')

const MAY_COPY = { permissions: ['clipboard-read', 'clipboard-write'] }

test('copying puts exactly the line on the clipboard, and says so', async () => {
  const run = await pages.run()
  await run.stage('desk phone.bin', IMAGE)
  const tab = await pages.open(run, MAY_COPY)
  const copy = tab.getByRole('button', { name: 'Copy the line for desk phone.bin' })
  await copy.click()
  expect(await clipboard(tab)).toBe('http://192.0.2.10:8080/desk-phone.bin')
  await tab.getByText('copied', { exact: true }).waitFor()
  await tab
    .locator('[aria-live=polite]', { hasText: 'Copied: http://192.0.2.10' })
    .waitFor({ state: 'attached' })
})

test('a line of the settings is filled, chosen and copied', async () => {
  const run = await pages.run({ settings: { paste: ['copy {url} flash:{name} size {bytes} md5 {md5}'] } })
  await run.stage('desk.bin', IMAGE)
  await run.depot.catalogue.digest('desk.bin', 'md5')
  const md5 = createHash('md5').update(IMAGE).digest('hex')
  const line = `copy http://192.0.2.10:8080/desk.bin flash:desk.bin size 5000 md5 ${md5}`
  const tab = await pages.open(run, MAY_COPY)
  await tab.getByText(line, { exact: true }).first().waitFor()
  await tab.getByRole('button', { name: 'Copy the line for desk.bin' }).click()
  expect(await clipboard(tab)).toBe(line)
  await tab.getByLabel('Lines to paste').selectOption({ label: 'URL alone' })
  await tab.getByText('http://192.0.2.10:8080/desk.bin', { exact: true }).waitFor()
})

test('opened, an image shows every digest that is known at full width, the MD5 that consoles print too', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', IMAGE)
  await run.depot.catalogue.digest('desk.bin', 'md5')
  const tab = await pages.open(run, MAY_COPY)
  await openImage(tab, 'desk.bin')
  await tab.getByText(createHash('md5').update(IMAGE).digest('hex'), { exact: true }).waitFor()
  await tab.getByText(sha256, { exact: true }).waitFor()
  await tab.getByRole('button', { name: 'Copy the SHA-256 of desk.bin' }).click()
  expect(await clipboard(tab)).toBe(sha256)
})

test('what no image here could use of a checksum text stands under the images, with line and reason', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', IMAGE)
  const list = `${sha256}  desk.bin\n${'ab'.repeat(32)}  gone.bin\n`
  await writeFile(join(run.folder, 'SHA256SUMS'), list)
  const tab = await pages.open(run)
  await tab.getByText('Not used of checksum texts: 1').click()
  await tab.getByText('SHA256SUMS, line 2: ').filter({ hasText: 'gone.bin' }).waitFor()
})

test('a hold is lifted only with a reason, which then stands with the image', async () => {
  const run = await pages.run()
  await run.stage('empty.bin', '')
  const tab = await pages.open(run)
  const entry = tab.getByRole('listitem', { name: 'empty.bin' })
  await entry.getByText('It is an empty file').waitFor()
  await openImage(tab, 'empty.bin')
  await entry.getByRole('button', { name: 'lift the hold (empty.bin)' }).click()
  await entry.getByLabel('Why may this image be served all the same?').fill('   ')
  await entry.getByRole('button', { name: 'Lift the hold', exact: true }).click()
  await entry.getByText('This is needed.').waitFor()
  expect(run.depot.catalogue.get('empty.bin')?.state).toBe('held')
  await entry
    .getByLabel('Why may this image be served all the same?')
    .fill('The maker ships a <b>marker</b> file')
  await entry.getByRole('button', { name: 'Lift the hold', exact: true }).click()
  await entry.getByText('lifted', { exact: true }).waitFor()
  await entry.getByText('The maker ships a <b>marker</b> file').waitFor()
})

test('the step that names a held image leads to it', async () => {
  const run = await pages.run()
  for (const [at, name] of ['a', 'b', 'c', 'd', 'e', 'f', 'g', 'h'].entries()) {
    await run.stage(`${name}.bin`, noise(4000, at + 1))
  }
  await run.stage('z-empty.bin', '')
  const tab = await pages.open(run)
  await tab.getByRole('button', { name: 'go to the image' }).click()
  const focused = await inPage(tab, 'document.activeElement.textContent')
  expect(focused).toBe('z-empty.bin')
  expect(await tab.getByRole('button', { name: 'z-empty.bin', exact: true }).isVisible()).toBe(true)
})

test('the maker’s checksum is pasted and compared; a wrong one holds the image', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', IMAGE)
  const tab = await pages.open(run, { mayComplain: /status of 422/ })
  const entry = tab.getByRole('listitem', { name: 'desk.bin' })
  const paste = async (text: string): Promise<void> => {
    await entry.getByRole('button', { name: 'paste the maker’s checksum (desk.bin)' }).click()
    await entry.getByLabel('What the maker publishes for this file').fill(text)
    await entry.getByRole('button', { name: 'Compare it' }).click()
  }
  await openImage(tab, 'desk.bin')
  await paste('ask your dealer')
  await entry.getByText('The text holds no digest').waitFor()
  await entry.getByRole('button', { name: 'Cancel' }).click()
  await paste(sha256.toUpperCase())
  await entry.getByText(/^matches \(/).waitFor()
  await entry.getByText('checked', { exact: true }).waitFor()
  await paste('0'.repeat(64))
  await entry.getByText('held', { exact: true }).first().waitFor()
})

test('what a device printed is recognised and written down for it', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', IMAGE)
  const tab = await pages.open(run)
  const section = tab.getByRole('region', { name: 'What a device printed' })
  await section
    .getByLabel(/^Paste it here/)
    .fill(`verify flash:\n  sha256 ${sha256.replace(/(.{8})/g, '$1 ')}\n`)
  await section.getByRole('button', { name: 'Compare with the images' }).click()
  await section.getByRole('listitem').filter({ hasText: 'desk.bin' }).waitFor()
  await section.getByRole('button', { name: 'record it for the device' }).click()
  await section.getByText('Name the device first.').waitFor()
  await section.getByLabel('Device').fill('reading-room-1')
  await section.getByRole('button', { name: 'record it for the device' }).click()
  await section.getByText('The digest is recorded.').waitFor()
  const lines = (await readFile(run.depot.ledger.file, 'utf8')).trim().split('\n')
  expect(JSON.parse(lines.at(-1) ?? '')).toMatchObject({
    kind: 'observed',
    device: 'reading-room-1',
    digest: { algorithm: 'sha256', value: sha256, image: { name: 'desk.bin' } },
  })
})

test('a version is picked out of what a device printed', async () => {
  const run = await pages.run()
  const tab = await pages.open(run)
  const section = tab.getByRole('region', { name: 'What a device printed' })
  await section.getByLabel(/^Paste it here/).fill('System software version 4.2.1, uptime 3 days')
  await section.getByRole('button', { name: 'Compare with the images' }).click()
  await section.getByText('Version in it: 4.2.1.').waitFor()
  await section.getByLabel('Device').fill('reading-room-1')
  await section.getByLabel('It is').selectOption('before')
  await section.getByRole('button', { name: 'Record', exact: true }).click()
  await section.getByText('Recorded for reading-room-1.').waitFor()
  const lines = (await readFile(run.depot.ledger.file, 'utf8')).trim().split('\n')
  expect(JSON.parse(lines.at(-1) ?? '')).toMatchObject({ device: 'reading-room-1', before: '4.2.1' })
})

test('a text with a digest in it was written down as a version', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', IMAGE)
  const tab = await pages.open(run)
  const section = tab.getByRole('region', { name: 'What a device printed' })
  await section.getByLabel('Device').fill('reading-room-1')
  const write = section.getByRole('button', { name: 'Record', exact: true })
  for (const text of [sha256, `/sha256 (desk.bin) = ${sha256}`]) {
    await section.getByLabel(/^Paste it here/).fill(text)
    await section.locator('.proposal').getByText('No version stands out in it').waitFor()
    await write.click()
    await section.locator('.problem').getByText('No version stands out in it').waitFor()
  }
  await section.getByLabel(/^Paste it here/).fill(`Software version 4.4\nsha256 ${sha256}`)
  await section.getByText('Will be recorded: 4.4').waitFor()
  await write.click()
  await section.getByText('Recorded for reading-room-1.').waitFor()
  const lines = (await readFile(run.depot.ledger.file, 'utf8')).trim().split('\n')
  const observed = lines.map((line) => JSON.parse(line) as object).filter((entry) => 'device' in entry)
  expect(observed).toMatchObject([{ after: '4.4' }])
})

/** Drops files as the browser hands them over. */
async function dropOnto(tab: Page, name: string, text: string): Promise<void> {
  const data = await tab.evaluateHandle(`(() => {
    const transfer = new DataTransfer()
    transfer.items.add(new File([${JSON.stringify(text)}], ${JSON.stringify(name)}))
    return transfer
  })()`)
  await tab.dispatchEvent('body', 'dragenter', { dataTransfer: data })
  await tab.getByText('Drop to copy into the staging folder.').waitFor()
  await tab.dispatchEvent('body', 'drop', { dataTransfer: data })
}

test('a file dropped onto the page becomes an image', async () => {
  const run = await pages.run()
  const tab = await pages.open(run)
  await tab.getByRole('button', { name: 'choose files' }).waitFor()
  await dropOnto(tab, 'desk.bin', IMAGE.toString('hex'))
  await tab.getByText('in the staging folder', { exact: true }).waitFor()
  await tab.getByRole('listitem', { name: 'desk.bin' }).waitFor()
  expect(await readFile(join(run.folder, 'desk.bin'), 'utf8')).toBe(IMAGE.toString('hex'))
})

test('a chosen file that is there already is replaced only when the person says so', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', IMAGE)
  const elsewhere = await mkdtemp(join(tmpdir(), 'chosen-'))
  onTestFinished(() => rm(elsewhere, { recursive: true }))
  await writeFile(join(elsewhere, 'desk.bin'), noise(6000, 7))
  const tab = await pages.open(run)
  const choose = async (): Promise<void> => {
    const chooser = tab.waitForEvent('filechooser')
    await tab.getByRole('button', { name: 'choose files' }).click()
    await (await chooser).setFiles(join(elsewhere, 'desk.bin'))
  }
  const dialog = tab.getByRole('dialog', { name: 'desk.bin is there already' })
  await choose()
  await dialog.getByRole('button', { name: 'Keep the old one' }).click()
  await dialog.waitFor({ state: 'detached' })
  expect((await readFile(join(run.folder, 'desk.bin'))).equals(IMAGE)).toBe(true)
  await choose()
  await dialog.waitFor()
  await tab.keyboard.press('Escape')
  await dialog.waitFor({ state: 'detached' })
  expect((await readFile(join(run.folder, 'desk.bin'))).equals(IMAGE)).toBe(true)
  await choose()
  await dialog.getByRole('button', { name: 'Replace it' }).click()
  await tab.getByText('in the staging folder', { exact: true }).waitFor()
  expect((await readFile(join(run.folder, 'desk.bin'))).equals(noise(6000, 7))).toBe(true)
})

test('one image is found among many by its name', async () => {
  const run = await pages.run()
  await Promise.all(Array.from({ length: 12 }, (_, at) => run.stage(`desk-${at}.bin`, noise(4000, at + 1))))
  const tab = await pages.open(run)
  await tab.getByLabel('Find by name').fill('K-1')
  await expect.poll(() => tab.locator('.images > li').count()).toBe(3)
  await tab.getByLabel('Find by name').fill('none')
  await tab.getByText('No image has this in its name.').waitFor()
})

test('what was looked for hid the image of a step, and its field went while it hid most of them', async () => {
  const run = await pages.run()
  await Promise.all(Array.from({ length: 8 }, (_, at) => run.stage(`desk-${at}.bin`, noise(4000, at + 1))))
  await run.stage('z-empty.bin', '')
  const tab = await pages.open(run)
  const search = tab.getByLabel('Find by name')
  await search.fill('desk')
  await expect.poll(() => tab.locator('.images > li').count()).toBe(8)
  await rm(join(run.folder, 'desk-0.bin'))
  await run.depot.catalogue.rescan()
  await expect.poll(() => tab.locator('.images > li').count()).toBe(7)
  expect(await search.inputValue()).toBe('desk')
  await tab.getByRole('button', { name: 'go to the image' }).click()
  await tab.getByRole('button', { name: 'z-empty.bin', exact: true }).and(tab.locator(':focus')).waitFor()
  expect(await tab.locator('.images > li').count()).toBe(8)
})

test('an image is held back by hand, lifted, and the lift taken back', async () => {
  const run = await pages.run()
  await run.stage('desk.bin', IMAGE)
  const tab = await pages.open(run)
  const entry = tab.getByRole('listitem', { name: 'desk.bin' })
  await openImage(tab, 'desk.bin')
  await entry.getByRole('button', { name: 'hold it back (desk.bin)' }).click()
  await entry.getByLabel('Why must this image not be served?').fill('it bricked one')
  await entry.getByRole('button', { name: 'Hold it back', exact: true }).click()
  await entry
    .getByText(/^Held by .*: it bricked one$/)
    .first()
    .waitFor()
  await entry.getByRole('button', { name: 'lift the hold (desk.bin)' }).click()
  await entry.getByLabel('Why may this image be served all the same?').fill('tried on the bench')
  await entry.getByRole('button', { name: 'Lift the hold', exact: true }).click()
  const recorded = tab.getByRole('region', { name: 'Recorded by hand' })
  await recorded.getByText('tried on the bench').waitFor()
  await recorded.getByRole('button', { name: /take it back/ }).click()
  await recorded.getByLabel('Why was it a mistake?').fill('it was another image')
  await recorded.getByRole('button', { name: 'Take it back', exact: true }).click()
  await entry
    .getByText(/^Held by .*: it bricked one$/)
    .first()
    .waitFor()
  await recorded.waitFor({ state: 'detached' })
})

test('the keyboard was at the top of the page after a hold was lifted', async () => {
  const run = await pages.run()
  await run.stage('empty.bin', '')
  const tab = await pages.open(run)
  await openImage(tab, 'empty.bin')
  await tab.getByRole('button', { name: 'lift the hold (empty.bin)' }).click()
  await tab.getByLabel('Why may this image be served all the same?').fill('a marker file')
  await tab.keyboard.press('Tab')
  await tab.keyboard.press('Enter')
  await tab.getByRole('listitem', { name: 'empty.bin' }).getByText('lifted', { exact: true }).waitFor()
  await tab
    .getByRole('button', { name: 'empty.bin', exact: true })
    .and(tab.locator(':focus'))
    .waitFor({ timeout: 5_000 })
})
