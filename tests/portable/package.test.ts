/** For those who have Node.js: the package that `npm pack` makes installs globally, without npx, and does the main job. */
import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, onTestFinished, test } from 'vitest'
import { run } from '../clients/program.ts'
import { serveFolder, stagingFolder } from '../clients/served.ts'
import { needs } from '../needs.ts'

const ROOT = fileURLToPath(new URL('../..', import.meta.url))

test('the package installs globally without a network, and serves the practice image it brings', {
  timeout: 240_000,
  ...needs('POSIX'),
}, async () => {
  const work = mkdtempSync(join(tmpdir(), 'fetchproof-package-'))
  onTestFinished(() => rmSync(work, { recursive: true, force: true, maxRetries: 3 }))
  const packed = await run('npm', ['pack', '--pack-destination', work], { cwd: ROOT, timeoutMs: 120_000 })
  expect(packed.status, packed.stderr).toBe(0)
  const [archive = ''] = readdirSync(work)
  expect(archive).toMatch(/^fetchproof-[\d.]+\.tgz$/)
  mkdirSync(join(work, 'global'))
  const install = ['install', '--global', '--offline', '--prefix', join(work, 'global'), archive]
  const installed = await run('npm', install, { cwd: work, timeoutMs: 110_000 })
  expect(installed, installed.stderr).toMatchObject({
    status: 0,
    stderr: expect.not.stringMatching(/warn|deprecated/i),
  })

  const practice = join(work, 'global/lib/node_modules/fetchproof/staging/practice-image.bin')
  const image = readFileSync(practice)
  const folder = await stagingFolder({ 'practice-image.bin': image }, onTestFinished)
  const program = [join(work, 'global/bin/fetchproof')]
  const served = await serveFolder(folder, { program, cleanUp: onTestFinished })
  await served.image('practice-image.bin')
  const answer = await fetch(`http://127.0.0.1:${served.port}/practice-image.bin`)
  expect(Buffer.from(await answer.arrayBuffer()).equals(image)).toBe(true)
  expect(await served.stop()).toBe(0)
})
