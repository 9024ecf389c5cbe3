/**
 * Opens the page in the browser of whoever is logged in (`--open`), with each system's own tool (common practice). The
 * tool is given a file of the user's own that leads to the address: the arguments of a process can be read by every
 * user of the laptop, and the token is in the address.
 */
import { spawn } from 'node:child_process'
import { join } from 'node:path'
import { makeUserStateFolder, writeForOwner } from '../../files/user-state.ts'

const TOOLS: Readonly<Partial<Record<NodeJS.Platform, readonly [string, ...string[]]>>> = {
  darwin: ['open'],
  // The empty argument is the window's title; without it `start` takes a quoted address for one.
  win32: ['cmd.exe', '/d', '/c', 'start', '""'],
}

/**
 * Resolves with whether the system's tool could be started. Whether the browser opened cannot be seen on every system;
 * what is known to have failed is said.
 */
export function openInBrowser(address: string, say: (sentence: string) => void): Promise<boolean> {
  const failed = (why: string): void =>
    say(`The browser could not be opened (${why}). Open the bench page by hand.`)
  const file = forwardingFile(address)
  if (file === undefined) {
    failed('there is no place for a file that only you can read')
    return Promise.resolve(false)
  }
  const [command, ...args] = TOOLS[process.platform] ?? ['xdg-open']
  const child = spawn(command, [...args, file], { stdio: 'ignore', detached: true, windowsHide: true })
  child.once('error', () => failed(`${command} cannot be started`))
  child.once('exit', (code) => {
    if (code !== null && code !== 0) failed(`${command} ended with status ${code}`)
  })
  child.unref()
  return new Promise((known) => {
    child.once('spawn', () => known(true))
    child.once('error', () => known(false))
  })
}

/** Beside the token itself, and no more secret than that: the next one takes its place. */
function forwardingFile(address: string): string | undefined {
  try {
    const file = join(makeUserStateFolder(), 'open-page.html')
    writeForOwner(
      file,
      `<!doctype html><meta charset="utf-8"><title>Fetchproof</title><script>location.replace(${JSON.stringify(address)})</script>`,
    )
    return file
  } catch {
    return undefined
  }
}
