/** A proxy on loopback that plants one fault into what an image port answers. */
import { once } from 'node:events'
import { createServer, type IncomingMessage, request, type ServerResponse } from 'node:http'
import type { AddressInfo } from 'node:net'
import { buffer } from 'node:stream/consumers'

export interface Passing {
  readonly request: IncomingMessage
  readonly response: ServerResponse
  /** What the image port answered, to be passed on as it is or not. */
  readonly status: number
  readonly headers: Record<string, string>
  readonly body: Buffer
  /** Asks the image port again, with other request headers. */
  ask(
    headers: Record<string, string>,
  ): Promise<{ status: number; headers: Record<string, string>; body: Buffer }>
}

export interface FaultProxy {
  /** `http://127.0.0.1:PORT` */
  readonly base: string
  /** Request headers that came, in order. */
  readonly seen: readonly IncomingMessage[]
  close(): Promise<void>
}

/** `fault` answers; without one everything is passed on as it is. */
export async function faultProxy(
  port: number,
  fault: (passing: Passing) => void | Promise<void> = passOn,
): Promise<FaultProxy> {
  const seen: IncomingMessage[] = []
  const server = createServer((incoming, response) => {
    seen.push(incoming)
    const ask = (headers: Record<string, string>): ReturnType<Passing['ask']> =>
      askPort(port, incoming, headers)
    ask(Object.fromEntries(Object.entries(incoming.headers).map(([name, value]) => [name, String(value)])))
      .then((answer) => fault({ request: incoming, response, ask, ...answer }))
      .catch((error: unknown) => response.destroy(error instanceof Error ? error : undefined))
  })
  server.listen(0, '127.0.0.1')
  await once(server, 'listening')
  return {
    base: `http://127.0.0.1:${(server.address() as AddressInfo).port}`,
    seen,
    async close() {
      server.closeAllConnections()
      server.close()
      await once(server, 'close')
    },
  }
}

export function passOn({
  response,
  status,
  headers,
  body,
}: Pick<Passing, 'response' | 'status' | 'headers' | 'body'>): void {
  response.writeHead(status, headers)
  response.end(body)
}

async function askPort(
  port: number,
  { method, url }: IncomingMessage,
  headers: Record<string, string>,
): ReturnType<Passing['ask']> {
  const asked = request({ host: '127.0.0.1', port, path: url ?? '/', headers, method, agent: false }).end()
  const [answer] = (await once(asked, 'response')) as [IncomingMessage]
  const values = Object.entries(answer.headers).filter(([name]) => name !== 'connection')
  return {
    status: answer.statusCode ?? 0,
    headers: Object.fromEntries(values.map(([name, value]) => [name, String(value)])),
    body: await buffer(answer),
  }
}
