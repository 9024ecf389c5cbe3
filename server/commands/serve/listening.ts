/** Opens the image port on every address asked for, or says in one sentence why that cannot be. */
import { randomBytes } from 'node:crypto'
import { get, type Server } from 'node:http'
import type { AddressInfo } from 'node:net'
import { FetchproofError, isFetchproofError, systemCode } from '../../errors.ts'
import { HTTP_FACTS } from '../../image-port/door-facts.ts'
import type { ImagePort } from '../../image-port/image-port.ts'
import { hostForUrl, type OwnAddress } from '../../network/addresses.ts'
import { covers, type Listening } from '../../network/bases.ts'
import { DEFAULT_PORTS, type Settings } from '../../settings.ts'
import { portHolder } from './port-holder.ts'

const EVERYWHERE = ['0.0.0.0', '::'] as const
const PORTS_TRIED = 20

function portsToTry(pagePort: number): readonly number[] {
  const numbers = Array.from({ length: PORTS_TRIED }, (_none, at) => DEFAULT_PORTS.main + at)
  return numbers.filter((number) => number !== pagePort)
}

/** Throws FP_PORT_TAKEN, FP_PORT_FORBIDDEN, FP_ADDRESS_ABSENT, FP_LISTEN_FAILED; nothing is left open then. */
export async function openImagePort(
  port: ImagePort,
  settings: Pick<Settings, 'listen' | 'port' | 'pagePort'>,
  own: readonly OwnAddress[],
) {
  const listeners = createListeners(port, own)
  try {
    if (settings.port !== null) await openMainPort(listeners, settings.listen, settings.port)
    else {
      await openFreePort(listeners, settings.listen, portsToTry(settings.pagePort))
      await openShortPort(listeners)
    }
  } catch (error) {
    await listeners.close()
    throw error
  }
  return listeners
}

type Listeners = ReturnType<typeof createListeners>

function createListeners(port: ImagePort, own: readonly OwnAddress[]) {
  const servers: Server[] = []
  const listening: Listening[] = []
  return {
    listening,
    /** Sentences for the person: a short port that could not be opened, an address family that is missing. */
    remarks: [] as string[],
    async open(address: string, number: number): Promise<number> {
      const server = port.server()
      const opened = await listen(server, address, number, own)
      servers.push(server)
      listening.push({ address, port: opened, door: HTTP_FACTS })
      return opened
    },
    async close(): Promise<void> {
      listening.length = 0
      const closed = servers
        .splice(0)
        .map((server) => new Promise<void>((done) => server.close(() => done())))
      await Promise.all(closed)
    },
  }
}

/** The default is no more than a habit: where another program has it, the next one that is free does as well. */
async function openFreePort(
  listeners: Listeners,
  listen: readonly string[],
  numbers: readonly number[],
): Promise<void> {
  const taken: FetchproofError[] = []
  for (const number of numbers) {
    try {
      await openMainPort(listeners, listen, number)
      if (taken[0] !== undefined)
        listeners.remarks.push(`Images are on port ${number} instead: ${taken[0].message}`)
      return
    } catch (error) {
      if (!isFetchproofError(error, 'FP_PORT_TAKEN')) throw error
      taken.push(error)
      await listeners.close()
    }
  }
  throw taken[0]
}

async function openMainPort(listeners: Listeners, listen: readonly string[], number: number): Promise<void> {
  const addresses = listen.length > 0 ? listen : EVERYWHERE
  let main = number
  const absent: string[] = []
  for (const [at, address] of addresses.entries()) {
    try {
      main = await listeners.open(address, main)
    } catch (error) {
      // Without IPv6, or without IPv4, the other family is enough; an address that was asked for is not.
      if (listen.length > 0 || !isFamilyAbsent(error)) throw error
      if (at === addresses.length - 1 && listeners.listening.length === 0) throw error
      absent.push(`This system has no ${address === '::' ? 'IPv6' : 'IPv4'}: it is left out.`)
    }
  }
  listeners.remarks.push(...absent)
}

/** Some consoles take no port in an address. Where the system refuses port 80, the main port is enough. */
async function openShortPort({ listening, remarks, open }: Listeners): Promise<void> {
  const main = [...listening]
  const refused: string[] = []
  for (const { address } of main) {
    try {
      await open(address, DEFAULT_PORTS.short)
    } catch (error) {
      if (!isFetchproofError(error)) throw error
      refused.push(error.message)
    }
  }
  const [first] = refused
  if (first === undefined) return
  if (refused.length === main.length) remarks.push(`Port ${DEFAULT_PORTS.short} is not used: ${first}`)
  else for (const why of refused) remarks.push(`Port ${DEFAULT_PORTS.short} is used in part: ${why}`)
}

async function listen(
  server: Server,
  address: string,
  port: number,
  own: readonly OwnAddress[],
): Promise<number> {
  try {
    await new Promise<void>((listening, failed) => {
      server.once('error', failed)
      server.listen({ host: address, port, ipv6Only: true, backlog: 1024 }, () => {
        server.off('error', failed)
        listening()
      })
    })
  } catch (error) {
    throw await listenError(error, { address, port, flag: '--port', transport: 'tcp', own })
  }
  return (server.address() as AddressInfo).port
}

/** What could not be listened on. */
interface Refused {
  readonly address: string
  readonly port: number
  readonly transport: 'tcp' | 'udp'
  /** The flag that chooses another port. */
  readonly flag: string
  readonly own: readonly OwnAddress[]
}

export async function listenError(error: unknown, refused: Refused): Promise<FetchproofError> {
  const { address, port, transport, flag, own } = refused
  const cause = { cause: error }
  switch (systemCode(error)) {
    case 'EADDRINUSE': {
      const holder = await portHolder(port, transport)
      return new FetchproofError(
        'FP_PORT_TAKEN',
        { port, address, flag, holder: holder === undefined ? '' : ` by ${holder}` },
        cause,
      )
    }
    case 'EACCES':
    case 'EPERM':
      return new FetchproofError('FP_PORT_FORBIDDEN', { port, address, flag, remedy: remedyFor(port) }, cause)
    case 'EADDRNOTAVAIL':
    case 'ENOTFOUND':
      return new FetchproofError(
        'FP_ADDRESS_ABSENT',
        { address, addresses: own.map((each) => each.address).join(', ') },
        cause,
      )
    default:
      return new FetchproofError(
        'FP_LISTEN_FAILED',
        { address, port, cause: systemCode(error) ?? String(error) },
        cause,
      )
  }
}

/** Common practice on each system; Windows keeps no port for administrators. */
function remedyFor(port: number): string {
  return process.platform === 'linux'
    ? `allow it until the next restart with "sudo sysctl -w net.ipv4.ip_unprivileged_port_start=${port}"`
    : 'start with the rights to open it'
}

function isFamilyAbsent(error: unknown): boolean {
  if (!isFetchproofError(error)) return false
  return ['EAFNOSUPPORT', 'EADDRNOTAVAIL', 'EINVAL'].includes(systemCode(error.cause) ?? '')
}

/**
 * Asks each own address for a nonce: a program that holds one address alone would otherwise win silently.
 * Returns sentences about addresses that somebody else answers on.
 */
export async function findIntruders(
  port: ImagePort,
  listening: readonly Listening[],
  own: readonly OwnAddress[],
): Promise<string[]> {
  const probe = { path: randomBytes(16).toString('hex'), proof: randomBytes(16).toString('hex') }
  port.expectProbe(probe)
  try {
    const asked = own.filter((address) => address.scopeId === null)
    const ports = [...new Set(listening.map((each) => each.port))]
    const answers = await Promise.all(
      asked.flatMap((address) =>
        ports.map(async (number) => {
          const covered = listening.some((each) => each.port === number && covers(each, address))
          if (!covered || (await proofAt(address.address, number, probe.path)) !== 'other') return []
          return [
            `Port ${number} on ${address.address} is answered by another program: devices that ask there do not reach this one. Stop it, or choose another port with --port.`,
          ]
        }),
      ),
    )
    return answers.flat()
  } finally {
    port.expectProbe(undefined)
  }

  function proofAt(address: string, number: number, path: string): Promise<'ours' | 'other' | 'none'> {
    return new Promise((known) => {
      const request = get(
        `http://${hostForUrl(address)}:${number}/${path}`,
        { agent: false, timeout: 1_000 },
        (response) => {
          response.resume()
          known(response.headers.etag === `"${probe.proof}"` ? 'ours' : 'other')
        },
      )
      request.on('timeout', () => request.destroy())
      request.on('error', () => known('none'))
      request.on('close', () => known('none'))
    })
  }
}
