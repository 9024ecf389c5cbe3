/**
 * What `serve` asks of a Linux desktop, played by programs of the same names on PATH: that it stays awake, and that
 * the bench page is opened.
 */
import { chmodSync, existsSync, mkdtempSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { dirname, join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { imageBytes, serveFolder, stagingFolder } from '../clients/served.ts'
import { needs } from '../needs.ts'

/** A folder for PATH with a shell script of that name. */
function program(name: string, script: string): string {
  const folder = mkdtempSync(join(tmpdir(), 'fetchproof-desktop-'))
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }))
  writeFileSync(join(folder, name), `#!/bin/sh\n${script}\n`)
  chmodSync(join(folder, name), 0o755)
  return folder
}

async function serveWith(flag: string, tools: string) {
  const folder = await stagingFolder({ 'core.bin': imageBytes(1000) }, onTestFinished)
  const under = ['env', `PATH=${tools}:${process.env.PATH}`]
  return serveFolder(folder, { cleanUp: onTestFinished, under, flags: [flag] })
}

test(
  '--keep-awake holds the system awake as long as it serves, and lets go at the end',
  needs('Linux'),
  async () => {
    const tools = program(
      'systemd-inhibit',
      'echo $$ > "$(dirname "$0")/pid"; echo "$@" > "$(dirname "$0")/asked"; echo ready; exec cat',
    )
    const served = await serveWith('--keep-awake', tools)
    await expect.poll(() => served.stderr(), { timeout: 15_000 }).toContain('is asked not to sleep')
    expect(readFileSync(join(tools, 'asked'), 'utf8')).toContain('--what=sleep:idle')
    const pid = readFileSync(join(tools, 'pid'), 'utf8').trim()
    expect(existsSync(`/proc/${pid}`)).toBe(true)
    expect(await served.stop()).toBe(0)
    await expect.poll(() => existsSync(`/proc/${pid}`), { timeout: 10_000 }).toBe(false)
  },
)

test(
  '--open shows every user of the laptop the token, among the arguments of a process',
  needs('Linux'),
  async () => {
    const tools = program(
      'xdg-open',
      'echo "$@" > "$(dirname "$0")/opened.new"; mv "$(dirname "$0")/opened.new" "$(dirname "$0")/opened"',
    )
    const served = await serveWith('--open', tools)
    await expect.poll(() => existsSync(join(tools, 'opened')), { timeout: 15_000 }).toBe(true)
    const argument = readFileSync(join(tools, 'opened'), 'utf8').trim()
    expect(argument).not.toContain('token')
    expect(statSync(argument).mode & 0o777).toBe(0o600)
    expect(statSync(dirname(argument)).mode & 0o777).toBe(0o700)
    const address =
      /http:\/\/127\.0\.0\.1:\d+\/#token=[\w-]{43}/.exec(readFileSync(argument, 'utf8'))?.[0] ?? ''
    expect((await fetch(address)).status).toBe(200)
    expect(await served.stop()).toBe(0)
  },
)
