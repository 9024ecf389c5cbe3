/** Opens an address in the browser of whoever is logged in (`--open`), with each system's own tool (common practice). */
import { spawn } from 'node:child_process'

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
  const [command, ...args] = TOOLS[process.platform] ?? ['xdg-open']
  const child = spawn(command, [...args, address], { stdio: 'ignore', detached: true, windowsHide: true })
  const failed = (why: string): void =>
    say(`The browser could not be opened (${why}). Open the bench page by hand.`)
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
