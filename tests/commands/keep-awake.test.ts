/** Keeping the system awake: what is asked of it, what is said, and that it ends with the process. */
import { type ChildProcess, spawn as spawnChild } from 'node:child_process'
import { once } from 'node:events'
import { afterEach, describe, expect, it } from 'vitest'
import { keepAwake, type Spawn } from '../../server/commands/serve/keep-awake.ts'
import { needs } from '../needs.ts'

const children: ChildProcess[] = []
afterEach(() => {
  for (const child of children.splice(0)) child.kill('SIGKILL')
})

/** Starts a Node program in the tool's place and keeps what was asked for. */
function standIn(program: string) {
  const asked: string[][] = []
  const spawn: Spawn = (command, args) => {
    asked.push([command, ...args])
    const child = spawnChild(process.execPath, ['-e', program], { stdio: ['pipe', 'pipe', 'ignore'] })
    children.push(child)
    return child
  }
  return { spawn, asked }
}
const UNTIL_END_OF_INPUT = "console.log('ready'); process.stdin.resume()"
const absent: Spawn = () =>
  spawnChild('no-such-tool-in-the-county', [], { stdio: ['pipe', 'pipe', 'ignore'] })

describe('keepAwake', () => {
  it('asks macOS to stay awake as long as this process lives', async () => {
    const { spawn, asked } = standIn('process.stdin.resume()')
    const { outcome, stop } = keepAwake({ platform: 'darwin', spawn })
    expect(await outcome).toBe('The system is asked not to sleep (caffeinate).')
    expect(asked).toEqual([['caffeinate', '-i', '-w', String(process.pid)]])
    stop()
  })

  it.each([
    ['linux', 'systemd-inhibit', '--what=sleep:idle'],
    ['win32', 'powershell.exe', '-NoProfile'],
  ] as const)(
    'on %s says so only once the tool has said that it is ready',
    async (platform, command, argument) => {
      const { spawn, asked } = standIn(UNTIL_END_OF_INPUT)
      const { outcome, stop } = keepAwake({ platform, spawn })
      expect(await outcome).toContain('is asked not to sleep')
      expect(asked[0]?.[0]).toBe(command)
      expect(asked[0]).toContain(argument)
      stop()
    },
  )

  it('says what to do when the tool refuses before it is ready', async () => {
    const { outcome } = keepAwake({ platform: 'linux', spawn: standIn('process.exit(1)').spawn })
    expect(await outcome).toBe(
      'The system may go to sleep: systemd-inhibit ended with status 1. Switch off sleep in its settings.',
    )
  })

  it.each(['darwin', 'linux', 'win32'] as const)('says when the tool is absent on %s', async (platform) => {
    const { outcome, stop } = keepAwake({ platform, spawn: absent })
    expect(await outcome).toMatch(/^The system may go to sleep: .* cannot be started here/)
    stop()
  })

  it('says when no tool is known', async () => {
    const { outcome, stop } = keepAwake({ platform: 'aix' })
    expect(await outcome).toContain('no tool is known that would keep aix awake')
    stop()
  })

  it('ends the tool when stopped, twice without harm and without reporting a loss', async () => {
    const lost: string[] = []
    const { spawn } = standIn(UNTIL_END_OF_INPUT)
    const kept = keepAwake({ platform: 'linux', spawn, onLost: (sentence) => lost.push(sentence) })
    await kept.outcome
    const [child] = children
    if (child === undefined) throw new Error('no child')
    const exit = once(child, 'exit')
    kept.stop()
    kept.stop()
    await exit
    expect(lost).toEqual([])
  })

  it('reports when the tool ends on its own after it had agreed', async () => {
    const { spawn } = standIn("console.log('ready'); setTimeout(() => process.exit(3), 20)")
    const lost = new Promise<string>((resolve) => {
      keepAwake({ platform: 'linux', spawn, onLost: resolve })
    })
    expect(await lost).toMatch(/systemd-inhibit ended with status 3/)
  })

  it(
    'leaves nothing running when this process is killed: what the Linux tool runs ends with its input',
    needs('Linux'),
    async () => {
      const { spawn, asked } = standIn('process.stdin.resume()')
      keepAwake({ platform: 'linux', spawn })
      const [, , , , , ...inner] = asked[0] ?? []
      expect(inner[0]).toBe('sh')
      // A parent that starts the same inner command with a pipe, tells its pid, and is then killed.
      const parent = spawnChild(
        process.execPath,
        [
          '-e',
          `const { spawn } = require('node:child_process')
           const child = spawn(${JSON.stringify(inner[0])}, ${JSON.stringify(inner.slice(1))}, { stdio: ['pipe', 'inherit', 'ignore'] })
           child.once('exit', () => {})`,
        ],
        { stdio: ['ignore', 'pipe', 'ignore'] },
      )
      children.push(parent)
      // The inner command holds the other end of this pipe: it closes only when that has ended too.
      const ended = once(parent.stdout, 'end')
      await once(parent.stdout, 'data')
      parent.kill('SIGKILL')
      parent.stdout.resume()
      await ended
      expect(parent.stdout.readableEnded).toBe(true)
    },
  )
})
