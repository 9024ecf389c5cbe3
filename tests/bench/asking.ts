/** Requests as they are on the wire: Host, Origin and Sec-Fetch-Site can be said freely, unlike with `fetch`. */
import { request } from 'node:http'
import type { Running } from './running.ts'

export interface Said {
  readonly method?: string
  readonly path: string
  readonly fields?: Readonly<Record<string, string>>
  readonly body?: string | Buffer
}

export interface Heard {
  readonly status: number
  readonly fields: Readonly<Record<string, string | string[] | undefined>>
  readonly text: string
}

export function say(run: Running, { method = 'GET', path, fields = {}, body }: Said): Promise<Heard> {
  return new Promise((heard, failed) => {
    const asked = request(
      { host: '127.0.0.1', port: run.pagePort, method, path, headers: fields },
      (answer) => {
        const pieces: Buffer[] = []
        answer.on('data', (piece: Buffer) => pieces.push(piece))
        answer.on('error', failed)
        answer.on('end', () =>
          heard({
            status: answer.statusCode ?? 0,
            fields: answer.headers,
            text: Buffer.concat(pieces).toString(),
          }),
        )
      },
    )
    asked.on('error', failed)
    asked.end(body)
  })
}

/** As the command line asks: the token, no Origin. */
export function change(
  run: Running,
  path: string,
  body: object,
  fields: Readonly<Record<string, string>> = {},
): Promise<Heard> {
  return say(run, {
    method: 'POST',
    path,
    fields: { authorization: `Bearer ${run.token}`, 'content-type': 'application/json', ...fields },
    body: JSON.stringify(body),
  })
}

export function codeOf({ text }: Heard): string {
  return (JSON.parse(text) as { error: { code: string } }).error.code
}
