/** The built program serving a folder on one port, to be killed as by a power cut of its process and started again. */
import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { setTimeout as pause } from 'node:timers/promises'
import { PROGRAM } from '../clients/program.ts'
import { accepting } from '../clients/served.ts'

export interface ServedProgram {
  /** TCP's for HTTP, and UDP's for TFTP. */
  readonly port: number
  /** One more with every kill. */
  life(): number
  up(): Promise<void>
  killAndRestart(): Promise<void>
  /** SIGINT, a second one when something is still under way; resolves with the exit status. */
  stop(): Promise<number | null>
  /** Ends it whatever it does. */
  destroy(): Promise<void>
  /** What it wrote to standard error, all lives together. */
  words(): string
}

const START_MS = 30_000
/** Short times, so that a run is short; the wait for a client's close is longer than any device here takes. */
const FLAGS = [
  ...['--settle-ms', '40', '--settle-unsure-ms', '120', '--rescan-ms', '400'],
  ...['--linger-ms', '20000', '--page-port', '0', '--format', 'json', '--tftp'],
]

export async function serveProgram(
  folder: string,
  port: number,
  env: NodeJS.ProcessEnv = {},
): Promise<ServedProgram> {
  const words: string[] = []
  let life = 0
  let child = launch()
  let running = untilUp()

  function launch(): ChildProcess {
    const ports = ['--port', String(port), '--tftp-port', String(port)]
    const args = [PROGRAM, 'serve', folder, '--listen', '127.0.0.1', ...ports, ...FLAGS]
    const started = spawn(process.execPath, args, {
      stdio: ['ignore', 'ignore', 'pipe'],
      env: { ...process.env, ...env },
    })
    started.stderr?.setEncoding('utf8').on('data', (text: string) => words.push(text))
    return started
  }

  async function untilUp(): Promise<void> {
    const deadline = Date.now() + START_MS
    while (!(await accepting('127.0.0.1', port))) {
      if (child.exitCode !== null) throw new Error(`serve ended with ${child.exitCode}: ${words.join('')}`)
      if (Date.now() > deadline) throw new Error(`serve does not listen: ${words.join('')}`)
      await pause(20)
    }
  }

  const ended = async (): Promise<void> => {
    if (child.exitCode === null && child.signalCode === null) await once(child, 'exit')
  }

  const program: ServedProgram = {
    port,
    life: () => life,
    up: () => running,
    async killAndRestart() {
      life += 1
      child.kill('SIGKILL')
      running = ended().then(() => {
        child = launch()
        return untilUp()
      })
      await running
    },
    async stop() {
      child.kill('SIGINT')
      const again = setTimeout(() => child.kill('SIGINT'), 3_000)
      const limit = setTimeout(() => child.kill('SIGKILL'), 20_000)
      await ended()
      clearTimeout(again)
      clearTimeout(limit)
      return child.exitCode
    },
    async destroy() {
      child.kill('SIGKILL')
      await ended()
    },
    words: () => words.join(''),
  }
  try {
    await running
    return program
  } catch (error) {
    await program.destroy()
    throw error
  }
}
