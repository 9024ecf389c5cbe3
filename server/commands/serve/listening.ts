/** Opens the image port on every address asked for, or says in one sentence why that cannot be. */
import { randomBytes } from 'node:crypto'
import { type EventEmitter, once } from 'node:events'
import { get, type Server } from 'node:http'
import type { AddressInfo } from 'node:net'
import { type ErrorCode, FetchproofError, isFetchproofError, systemCode } from '../../errors.ts'
import { HTTP_DOOR } from '../../image-port/door.ts'
import type { ImagePort } from '../../image-port/image-port.ts'
import type { OwnAddress } from '../../network/addresses.ts'
import { basesOf, type Listening } from '../../network/bases.ts'
import { DEFAULT_PORTS, type Settings } from '../../settings.ts'
import { portHolder } from './port-holder.ts'

const EVERYWHERE = ['0.0.0.0', '::'] as const
const PORTS_TRIED = 20

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
      await openFreePort(listeners, settings)
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
      const at = { address, port: number, door: HTTP_DOOR }
      const options = { host: address, port: number, ipv6Only: true, backlog: 1024 }
      await listenOn(server, () => server.listen(options), at, own)
      const opened = server.address() as AddressInfo
      servers.push(server)
      listening.push({ ...at, port: opened.port })
      return opened.port
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
  { listen, pagePort }: Pick<Settings, 'listen' | 'pagePort'>,
): Promise<void> {
  let taken: FetchproofError | undefined
  for (let number = DEFAULT_PORTS.main; number < DEFAULT_PORTS.main + PORTS_TRIED; number += 1) {
    if (number === pagePort) continue
    try {
      await openMainPort(listeners, listen, number)
      if (taken !== undefined)
        listeners.remarks.push(`Images are on port ${number} instead: ${taken.message}`)
      return
    } catch (error) {
      if (!isFetchproofError(error, 'FP_PORT_TAKEN')) throw error
      taken ??= error
      await listeners.close()
    }
  }
  throw taken
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

/** Resolves when what `bind` begins is done. Throws why it could not be. */
export async function listenOn(
  listener: EventEmitter,
  bind: () => void,
  at: Listening,
  own: readonly OwnAddress[],
): Promise<void> {
  try {
    const bound = once(listener, 'listening')
    bind()
    await bound
  } catch (error) {
    throw await listenError(error, at, own)
  }
}

async function listenError(
  error: unknown,
  { address, port, door: { name, transport } }: Listening,
  own: readonly OwnAddress[],
): Promise<FetchproofError> {
  const flag = name === 'http' ? '--port' : `--${name}-port`
  const coded = (code: ErrorCode, fields: Readonly<Record<string, string>>): FetchproofError =>
    new FetchproofError(code, { address, port, flag, ...fields }, { cause: error })
  switch (systemCode(error)) {
    case 'EADDRINUSE': {
      const holder = await portHolder(port, transport)
      return coded('FP_PORT_TAKEN', { holder: holder === undefined ? '' : ` by ${holder}` })
    }
    case 'EACCES':
    case 'EPERM':
      return coded('FP_PORT_FORBIDDEN', { remedy: remedyFor(port) })
    case 'EADDRNOTAVAIL':
    case 'ENOTFOUND':
      return coded('FP_ADDRESS_ABSENT', { addresses: own.map((each) => each.address).join(', ') })
    default:
      return coded('FP_LISTEN_FAILED', { cause: systemCode(error) ?? String(error) })
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
  const bases = [...basesOf(own, listening), ...basesOf(own, listening, 'loopback')]
  port.expectProbe(probe)
  try {
    const answers = await Promise.all(
      bases.map(async ({ url, own: { address }, port: number }) =>
        (await isAnotherAt(url))
          ? [
              `Port ${number} on ${address} is answered by another program: devices that ask there do not reach this one. Stop it, or choose another port with --port.`,
            ]
          : [],
      ),
    )
    return answers.flat()
  } finally {
    port.expectProbe(undefined)
  }

  function isAnotherAt(url: string): Promise<boolean> {
    return new Promise((known) => {
      const request = get(`${url}/${probe.path}`, { agent: false, timeout: 1_000 }, (response) => {
        response.resume()
        known(response.headers.etag !== `"${probe.proof}"`)
      })
      request.on('timeout', () => request.destroy())
      // Nobody answers.
      for (const event of ['error', 'close']) request.on(event, () => known(false))
    })
  }
}
