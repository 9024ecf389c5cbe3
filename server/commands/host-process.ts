/** Ctrl-C; a polite kill; the terminal was closed (on Windows: its window); Ctrl-Break, on Windows alone. */
export const STOP_SIGNALS = ['SIGINT', 'SIGTERM', 'SIGHUP', 'SIGBREAK'] as const
type StopSignal = (typeof STOP_SIGNALS)[number]

/** What a command touches of the process around it, passed in so that tests can turn it. */
export interface HostProcess {
  readonly stdout: NodeJS.WriteStream
  readonly stderr: NodeJS.WriteStream
  readonly stdin: NodeJS.ReadStream
  readonly env: NodeJS.ProcessEnv
  readonly pid: number
  on(signal: StopSignal, listener: () => void): unknown
}
