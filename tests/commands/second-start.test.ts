/** What a start does about what is there already: the default port taken by something else, the folder served. */
import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { existsSync, readFileSync } from 'node:fs'
import { createServer } from 'node:net'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { fetchproof, PROGRAM } from '../clients/program.ts'
import { imageBytes, serveFolder, stagingFolder } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { browser, openedAddress } from '../portable/portable-folder.ts'

const image = { 'core.bin': imageBytes(5000) }

/** Takes the port, unless somebody has it already, which is as well. */
async function take(port: number): Promise<void> {
  const server = createServer().listen({ port, host: '0.0.0.0' })
  const taken = await Promise.race([once(server, 'listening'), once(server, 'error')])
  if (taken[0] !== undefined) expect(taken[0]).toMatchObject({ code: 'EADDRINUSE' })
  onTestFinished(() => void server.close())
}

function serve(folder: string, flags: readonly string[]): { text(): string; process: ChildProcess } {
  const child = spawn(process.execPath, [PROGRAM, 'serve', folder, ...flags], {
    env: { ...process.env, FETCHPROOF_LOG: 'warn' },
  })
  let text = ''
  child.stdout.setEncoding('utf8').on('data', (more: string) => {
    text += more
  })
  onTestFinished(async () => {
    child.kill('SIGKILL')
    if (child.exitCode === null && child.signalCode === null) await once(child, 'close')
  })
  return { text: () => text, process: child }
}

test('a taken default port gives way to the next one that is free and not the page’s, and this is said', async () => {
  await take(8080)
  const folder = await stagingFolder(image, onTestFinished)
  const served = serve(folder, ['--settle-ms', '40', '--settle-unsure-ms', '120'])
  await expect.poll(() => served.text(), { timeout: 25_000 }).toMatch(/ready +core\.bin/)
  const [, port, why] = /Images are on port (\d+) instead: (.*)/.exec(served.text()) ?? []
  expect(why).toMatch(/^Port 8080 on \S+ is already taken.*\. Stop that program, or choose another port/)
  expect(Number(port)).toBeGreaterThan(8081)
  expect(served.text()).toContain(`:${port}/core.bin`)
  const answer = await fetch(`http://127.0.0.1:${port}/core.bin`)
  expect(Buffer.from(await answer.arrayBuffer()).equals(image['core.bin'])).toBe(true)
})

test('an explicit --port that is taken is no reason to take another', async () => {
  await take(8080)
  const folder = await stagingFolder(image, onTestFinished)
  const { status, stderr } = await fetchproof(['serve', folder, '--port', '8080', '--page-port', '0'])
  expect([status, stderr]).toEqual([3, expect.stringContaining('FP_PORT_TAKEN')])
})

test('a second start with --open opens the page of the first, and ends', needs('Linux'), async () => {
  const folder = await stagingFolder(image, onTestFinished)
  const first = await serveFolder(folder, { cleanUp: onTestFinished })
  const { folder: tools, opened } = browser()
  const again = ['serve', folder, '--open', '--port', '0']
  const second = await fetchproof(again, { env: { ...process.env, PATH: `${tools}:${process.env.PATH}` } })
  expect(second).toMatchObject({ status: 0, stderr: '' })
  expect(second.stdout).toContain(`This folder is being served already (process ${first.process.pid}).`)
  await expect.poll(() => existsSync(opened) && readFileSync(opened, 'utf8')).toContain('\n')
  const address = new URL(openedAddress(opened))
  const { pagePort } = JSON.parse(readFileSync(join(folder, '.fetchproof/lock.json'), 'utf8'))
  expect([address.port, (await fetch(address)).status]).toEqual([String(pagePort), 200])
  // The page may change things: its token is that of the first.
  const headers = { authorization: `Bearer ${address.hash.replace('#token=', '')}`, origin: address.origin }
  const asked = await fetch(new URL('/api/token', address), { method: 'POST', headers })
  expect(asked.status).toBe(204)
})

test('a second start says who serves the folder where there is no page to open, and where none was asked for', async () => {
  const folder = await stagingFolder(image, onTestFinished)
  await serveFolder(folder, { cleanUp: onTestFinished, flags: ['--no-page'] })
  for (const flags of [['--open'], []]) {
    const second = await fetchproof(['serve', folder, '--port', '0', ...flags])
    expect(second).toMatchObject({ status: 3, stdout: '', stderr: expect.stringContaining('FP_LEDGER_HELD') })
  }
})
