/**
 * Two network namespaces joined by a virtual cable (ip-netns(8), veth(4)): a server in one, a client in the other,
 * and a link that can be set down as if the cable had been pulled. Addresses from RFC 5737 (TEST-NET-1).
 */
import { randomBytes } from 'node:crypto'
import { run } from './program.ts'
import type { Until } from './served.ts'

export interface Cable {
  readonly serverAddress: string
  readonly clientAddress: string
  /** Program and arguments to put before one that is to run at that end. */
  readonly atServer: readonly string[]
  readonly atClient: readonly string[]
  pull(): Promise<void>
  plugIn(): Promise<void>
}

/** A cable, for a test that needs network namespaces. */
export async function layCable(cleanUp: Until): Promise<Cable> {
  const tag = randomBytes(3).toString('hex')
  const [server, client] = [`fetchproof-${tag}-s`, `fetchproof-${tag}-c`]
  for (const name of [server, client]) {
    const { status, stderr } = await run('ip', ['netns', 'add', name])
    if (status !== 0) throw new Error(stderr)
    cleanUp(async () => {
      await run('ip', ['netns', 'delete', name])
    })
  }
  const [serverAddress, clientAddress] = ['192.0.2.1', '192.0.2.2']
  const { status, stderr } = await run('ip', [
    ...['link', 'add', 'cable0', 'netns', server, 'type', 'veth'],
    ...['peer', 'name', 'cable0', 'netns', client],
  ])
  if (status !== 0) throw new Error(stderr)
  await atEnd(server, serverAddress)
  await atEnd(client, clientAddress)
  return {
    serverAddress,
    clientAddress,
    atServer: ['ip', 'netns', 'exec', server],
    atClient: ['ip', 'netns', 'exec', client],
    pull: () => ip(client, ['link', 'set', 'cable0', 'down']),
    plugIn: () => ip(client, ['link', 'set', 'cable0', 'up']),
  }
}

async function atEnd(namespace: string, address: string): Promise<void> {
  await ip(namespace, ['address', 'add', `${address}/24`, 'dev', 'cable0'])
  await ip(namespace, ['link', 'set', 'lo', 'up'])
  await ip(namespace, ['link', 'set', 'cable0', 'up'])
}

async function ip(namespace: string, args: readonly string[]): Promise<void> {
  const { status, stderr } = await run('ip', ['-n', namespace, ...args])
  if (status !== 0) throw new Error(`ip ${args.join(' ')}: ${stderr}`)
}
