/**
 * An emulated machine (QEMU) with an emulated cable to this program: a tap device in a network namespace that the test
 * makes and removes. Addresses from RFC 5737 (TEST-NET-1), hardware addresses from RFC 7042 §2.1.2.
 */
import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { expect } from 'vitest'
import { run } from './program.ts'
import type { Until } from './served.ts'

export const LAPTOP = '192.0.2.10'
export const DEVICE = { address: '192.0.2.42', mac: '00:00:5e:00:53:2a' }

export interface Cable {
  /** Program and first arguments to run something at the laptop's end of it. */
  readonly under: readonly string[]
  /** Starts a machine at the other end; it ends with the test. `card`: a kind of network card. */
  boot(program: string, card: string, args: readonly string[]): ChildProcess
}

export async function layCable(name: string, cleanUp: Until): Promise<Cable> {
  const namespace = `fetchproof-${name}-${process.pid}`
  const under = ['ip', 'netns', 'exec', namespace]
  const ip = async (...args: string[]): Promise<void> => {
    const { status, stderr } = await run('ip', args)
    expect(status, `ip ${args.join(' ')}: ${stderr}`).toBe(0)
  }
  await ip('netns', 'add', namespace)
  cleanUp(() => ip('netns', 'delete', namespace))
  await ip('-n', namespace, 'link', 'set', 'lo', 'up')
  await ip('-n', namespace, 'tuntap', 'add', 'dev', 'tap0', 'mode', 'tap')
  await ip('-n', namespace, 'address', 'add', `${LAPTOP}/24`, 'dev', 'tap0')
  await ip('-n', namespace, 'link', 'set', 'tap0', 'up')
  return {
    under,
    boot(program, card, args) {
      const machine = spawn(
        'ip',
        [
          ...[...under.slice(1), program, '-display', 'none', '-monitor', 'none', '-no-reboot', ...args],
          ...['-netdev', 'tap,id=cable,ifname=tap0,script=no,downscript=no'],
          ...['-device', `${card},netdev=cable,mac=${DEVICE.mac}`],
        ],
        { stdio: ['pipe', 'pipe', 'inherit'] },
      )
      const gone = once(machine, 'exit')
      cleanUp(async () => {
        machine.kill('SIGKILL')
        await gone
      })
      return machine
    },
  }
}

export interface Console {
  /** Types a line; resolves with what came from then on, once it holds the words. */
  type(line: string, until: string | RegExp): Promise<string>
  /** Resolves once the words have come. */
  until(words: string | RegExp): Promise<string>
}

/** The serial line of a machine that was started with `-serial stdio`. */
export function consoleOf({ stdin, stdout }: ChildProcess, deadlineMs: number): Console {
  if (stdin === null || stdout === null) throw new Error('the machine has no serial line')
  let text = ''
  stdout.setEncoding('utf8').on('data', (more: string) => {
    text += more
    stdout.emit('more')
  })

  async function until(words: string | RegExp): Promise<string> {
    const signal = AbortSignal.timeout(deadlineMs)
    while (typeof words === 'string' ? !text.includes(words) : !words.test(text)) {
      await once(stdout as NodeJS.ReadableStream, 'more', { signal }).catch(() => {
        throw new Error(`no ${words} on the console:\n${text.slice(-2_000)}`)
      })
    }
    return text
  }
  return {
    until,
    async type(line, words) {
      text = ''
      stdin.write(`${line}\n`)
      return until(words)
    },
  }
}
