/** A portable folder for this system whose runtime is the Node.js that runs the tests: nothing is fetched for it. */
import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { chmodSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { onTestFinished } from 'vitest'
import { bundleProgram } from '../../scripts/portable/bundle.mjs'
import { portableFiles, writeFiles } from '../../scripts/portable/files.mjs'
import { TARGETS } from '../../scripts/portable/targets.mjs'
import type { Until } from '../clients/served.ts'

let program: ReturnType<typeof bundleProgram> | undefined

/** Bundled once for all tests of a file. */
export function bundled(): ReturnType<typeof bundleProgram> {
  program ??= bundleProgram()
  return program
}

/** Path of a folder with a blank and accents in its name. */
export async function portableFolder(cleanUp: Until): Promise<string> {
  const runtime = { executable: Buffer.from(`#!/bin/sh\nexec "${process.execPath}" "$@"\n`), licence: '' }
  const parent = mkdtempSync(join(tmpdir(), 'fetchproof-portable-'))
  cleanUp(async () => rmSync(parent, { recursive: true, force: true, maxRetries: 3 }))
  const folder = join(parent, 'Stick für Café 4')
  writeFiles(folder, portableFiles('linux-x64', TARGETS['linux-x64'], await bundled(), runtime))
  // As a stick that another user may read.
  chmodSync(parent, 0o755)
  return folder
}

export interface Window {
  /** What stands in it so far. */
  text(): string
  press(keys: string): void
  /** Its program's exit status, when it has ended. */
  readonly ended: Promise<number | null>
}

/** Starts a program in a terminal window of its own, as a double click does (script(1) of util-linux). */
export function openWindow(
  program: string,
  env: NodeJS.ProcessEnv = {},
  under: readonly string[] = [],
): Window {
  const line = `exec '${program}'`
  const [command = 'script', ...args] = [...under, 'script', '-qec', line, '/dev/null']
  const child = spawn(command, args, { cwd: tmpdir(), env: { ...process.env, TERM: 'xterm', ...env } })
  const ended = once(child, 'close').then(([status]) => status as number | null)
  let text = ''
  child.stdout.setEncoding('utf8').on('data', (more: string) => {
    text += more
  })
  onTestFinished(async () => {
    child.kill('SIGHUP')
    await ended
  })
  return { text: () => text, press: (keys) => void child.stdin.write(keys), ended }
}

/** A folder for PATH with a browser that writes down which address it was to open. */
export function browser(): { folder: string; opened: string } {
  const folder = mkdtempSync(join(tmpdir(), 'fetchproof-browser-'))
  onTestFinished(() => rmSync(folder, { recursive: true, force: true }))
  const opened = join(folder, 'opened')
  writeFileSync(join(folder, 'xdg-open'), `#!/bin/sh\necho "$1" >> "${opened}"\n`, { mode: 0o755 })
  return { folder, opened }
}

/** The address that the file leads to which the browser was given. */
export function openedAddress(opened: string): string {
  const file = readFileSync(opened, 'utf8').trim()
  return /http:\/\/[\w.:]+\/#token=[\w-]+/.exec(readFileSync(file, 'utf8'))?.[0] ?? ''
}
