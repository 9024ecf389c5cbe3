/**
 * Asks the system not to go to sleep by itself while images are served (--keep-awake). Common practice of each
 * system; a closed lid or an empty battery still puts it to sleep. The tool ends with this process, however that
 * ends: its standard input is a pipe from here (Linux, Windows) or it watches the process id (macOS).
 */
import { type ChildProcess, spawn as spawnChild } from 'node:child_process'

export type Spawn = (command: string, args: readonly string[]) => ChildProcess

interface Tool {
  readonly command: string
  readonly args: readonly string[]
  /** It prints "ready" once the system has agreed; otherwise running is all that can be seen. */
  readonly tellsReady: boolean
}

/** ES_CONTINUOUS | ES_SYSTEM_REQUIRED of SetThreadExecutionState: 0x80000000 + 0x1. It lasts while the thread does. */
const WINDOWS_SCRIPT = [
  `$call = '[DllImport("kernel32.dll")] public static extern uint SetThreadExecutionState(uint flags);'`,
  `$power = Add-Type -MemberDefinition $call -Name Power -Namespace Fetchproof -PassThru`,
  `if ($power::SetThreadExecutionState([uint32]2147483649) -eq 0) { exit 1 }`,
  `[Console]::Out.WriteLine('ready')`,
  `[void][Console]::In.ReadToEnd()`,
].join('; ')

const TOOLS: Readonly<Partial<Record<NodeJS.Platform, Tool>>> = {
  darwin: { command: 'caffeinate', args: ['-i', '-w', String(process.pid)], tellsReady: false },
  win32: {
    command: 'powershell.exe',
    args: ['-NoProfile', '-NonInteractive', '-Command', WINDOWS_SCRIPT],
    tellsReady: true,
  },
  linux: {
    command: 'systemd-inhibit',
    args: [
      '--what=sleep:idle',
      '--who=Fetchproof',
      '--why=Serving device images',
      '--mode=block',
      'sh',
      '-c',
      'echo ready; exec cat',
    ],
    tellsReady: true,
  },
}

interface KeepAwakeOptions {
  readonly platform?: NodeJS.Platform
  readonly spawn?: Spawn
  /** It had agreed and has ended on its own: the system may sleep again. */
  readonly onLost?: (sentence: string) => void
}

/** Starts this system's tool. */
export function keepAwake(options: KeepAwakeOptions = {}) {
  const { platform = process.platform, spawn = spawnTool, onLost } = options
  const tool = TOOLS[platform]
  if (tool === undefined) {
    const sentence = refusal(`no tool is known that would keep ${platform} awake`)
    return { outcome: Promise.resolve(sentence), stop: () => undefined }
  }
  const { command, args, tellsReady } = tool
  const child = spawn(command, args)
  let agreed = false
  let stopped = false
  // Writing to a tool that is gone is no news: its exit was told.
  child.stdin?.on('error', () => {})
  child.stdout?.resume()
  return {
    /** What came of asking, in a sentence for the terminal. Never rejects. */
    outcome: new Promise<string>((told) => {
      const agree = (): void => {
        agreed = true
        told(`The system is asked not to sleep (${command}).`)
      }
      if (tellsReady) child.stdout?.once('data', agree)
      else child.once('spawn', agree)
      child.once('error', () => told(refusal(`${command} cannot be started here`)))
      child.once('exit', (code, signal) => {
        const ended = refusal(`${command} ended ${signal === null ? `with status ${code}` : `by ${signal}`}`)
        if (agreed && !stopped) onLost?.(ended)
        told(ended)
      })
    }),
    /** Lets the system sleep again. May be called twice. */
    stop(): void {
      stopped = true
      child.stdin?.end()
      child.kill()
    },
  }
}

function spawnTool(command: string, args: readonly string[]): ChildProcess {
  return spawnChild(command, [...args], { stdio: ['pipe', 'pipe', 'ignore'], windowsHide: true })
}

function refusal(what: string): string {
  return `The system may go to sleep: ${what}. Switch off sleep in its settings.`
}
