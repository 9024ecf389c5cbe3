/** What a command touches of the process around it, passed in so that tests can turn it. */
export interface Surroundings {
  readonly stdout: NodeJS.WriteStream
  readonly stderr: NodeJS.WriteStream
  readonly stdin: NodeJS.ReadStream
  readonly env: NodeJS.ProcessEnv
  readonly pid: number
  on(signal: 'SIGINT' | 'SIGTERM', listener: () => void): unknown
}
