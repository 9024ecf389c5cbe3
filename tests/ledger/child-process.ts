/** Programs of children/ run in processes of their own; they use the built program, which `npm test` makes first. */
import { type ChildProcessByStdio, spawn } from 'node:child_process'
import { once } from 'node:events'
import { createInterface, type Interface } from 'node:readline'
import type { Readable, Writable } from 'node:stream'
import { fileURLToPath } from 'node:url'
import { onTestFinished } from 'vitest'

export interface Child {
  readonly process: ChildProcessByStdio<Writable, Readable, null>
  readonly lines: Interface
  /** Resolves with the next line of standard output; rejects when the child ends first. */
  nextLine(): Promise<string>
}

export function childProgram(name: string): string {
  return fileURLToPath(new URL(`./children/${name}`, import.meta.url))
}

/** Starts a program; it is killed when the test has ended. */
export function startChild(program: string, args: readonly string[]): Child {
  const child = spawn(program, args, { stdio: ['pipe', 'pipe', 'inherit'] })
  const lines = createInterface({ input: child.stdout })
  const waiting: string[] = []
  lines.on('line', (line) => waiting.push(line))
  onTestFinished(async () => {
    if (child.exitCode !== null || child.signalCode !== null) return
    child.kill('SIGKILL')
    await once(child, 'exit')
  })
  return {
    process: child,
    lines,
    async nextLine() {
      while (waiting.length === 0) {
        const ended = new AbortController()
        const line = once(lines, 'line', { signal: ended.signal })
        const closed = once(lines, 'close', { signal: ended.signal }).then(() => 'closed')
        const first = await Promise.race([line, closed])
        ended.abort()
        await Promise.allSettled([line, closed])
        if (first === 'closed' && waiting.length === 0) throw new Error(`${program} ended without a word`)
      }
      return waiting.shift() ?? ''
    },
  }
}
