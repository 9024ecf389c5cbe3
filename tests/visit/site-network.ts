/**
 * A site in network namespaces (ip-netns(8), veth(4), bridge): a laptop and devices with hardware addresses of their
 * own on one switch. Addresses from RFC 5737, hardware addresses from RFC 7042.
 */
import { type ChildProcessByStdio, spawn } from 'node:child_process'
import { randomBytes } from 'node:crypto'
import { once } from 'node:events'
import type { Readable } from 'node:stream'
import { type Outcome, run } from '../clients/program.ts'
import type { Until } from '../clients/served.ts'

export type Program = ChildProcessByStdio<null, Readable, null>

export interface Station {
  readonly namespace: string
  readonly mac: string
  /** To be put before a program that is to run there. */
  readonly under: readonly string[]
  address(): string
  curl(...args: readonly string[]): Promise<Outcome>
  /** Gives up its address for another one; the hardware address stays. */
  moveTo(address: string): Promise<void>
  link(state: 'up' | 'down'): Promise<void>
  /** Runs a line of JavaScript for as long as the site stands; resolves when it has said a line. */
  program(code: string): Promise<Program>
}

export interface Site {
  station(address: string, lastOctet: number): Promise<Station>
  /** A cable between two stations, apart from the switch. */
  cable(a: Station, addressA: string, b: Station, addressB: string): Promise<void>
}

/** A site, for a test that needs network namespaces. */
export async function buildSite(cleanUp: Until): Promise<Site> {
  const tag = randomBytes(2).toString('hex')
  const hub = `fp-${tag}-hub`
  await addNamespace(hub, cleanUp)
  await ip(hub, 'link', 'add', 'hub0', 'type', 'bridge')
  await ip(hub, 'link', 'set', 'hub0', 'up')
  let count = 0
  return {
    async station(address, lastOctet) {
      count += 1
      const namespace = `fp-${tag}-${count}`
      const port = `port${count}`
      const mac = `00:00:5e:00:53:${lastOctet.toString(16).padStart(2, '0')}`
      await addNamespace(namespace, cleanUp)
      await must('ip', [
        'link',
        'add',
        port,
        'netns',
        hub,
        'type',
        'veth',
        'peer',
        'name',
        'eth0',
        'netns',
        namespace,
      ])
      await ip(hub, 'link', 'set', port, 'master', 'hub0', 'up')
      await ip(namespace, 'link', 'set', 'eth0', 'address', mac)
      await ip(namespace, 'address', 'add', `${address}/24`, 'dev', 'eth0')
      await ip(namespace, 'link', 'set', 'lo', 'up')
      await ip(namespace, 'link', 'set', 'eth0', 'up')
      return stationAt(namespace, mac, address, cleanUp)
    },
    async cable(a, addressA, b, addressB) {
      await must('ip', [
        'link',
        'add',
        'eth1',
        'netns',
        a.namespace,
        'type',
        'veth',
        'peer',
        'name',
        'eth1',
        'netns',
        b.namespace,
      ])
      for (const [end, address] of [
        [a, addressA],
        [b, addressB],
      ] as const) {
        await ip(end.namespace, 'address', 'add', `${address}/24`, 'dev', 'eth1')
        await ip(end.namespace, 'link', 'set', 'eth1', 'up')
      }
    },
  }
}

function stationAt(namespace: string, mac: string, first: string, cleanUp: Until): Station {
  let address = first
  const under = ['ip', 'netns', 'exec', namespace]
  return {
    namespace,
    mac,
    under,
    address: () => address,
    curl: (...args) =>
      run('ip', [...under.slice(1), 'curl', '--silent', '--show-error', '--output', '/dev/null', ...args]),
    async moveTo(next) {
      await ip(namespace, 'address', 'del', `${address}/24`, 'dev', 'eth0')
      await ip(namespace, 'address', 'add', `${next}/24`, 'dev', 'eth0')
      address = next
    },
    link: (state) => ip(namespace, 'link', 'set', 'eth0', state),
    async program(code) {
      const child = spawn('ip', [...under.slice(1), process.execPath, '-e', code], {
        stdio: ['ignore', 'pipe', 'inherit'],
      })
      cleanUp(async () => {
        if (child.exitCode === null && child.signalCode === null) {
          child.kill('SIGKILL')
          await once(child, 'close')
        }
      })
      await once(child.stdout, 'data')
      return child
    },
  }
}

async function addNamespace(name: string, cleanUp: Until): Promise<void> {
  await must('ip', ['netns', 'add', name])
  cleanUp(async () => {
    await run('ip', ['netns', 'delete', name])
  })
}

async function ip(namespace: string, ...args: readonly string[]): Promise<void> {
  await must('ip', ['-n', namespace, ...args])
}

async function must(program: string, args: readonly string[]): Promise<void> {
  const { status, stderr } = await run(program, args)
  if (status !== 0) throw new Error(`${program} ${args.join(' ')}: ${stderr}`)
}
