/** One request over a bare socket, as text of one character a byte, and all that comes back. */
import { connect } from 'node:net'

const DEADLINE_MS = 20_000

export interface Said {
  readonly text: string
  /** Sent in two pieces, the second when the first has gone. */
  readonly splitAt?: number
}

export interface Heard {
  readonly port: number
  readonly raw: Buffer
}

/** Sends the bytes, closes its sending side, and returns all that comes until the server ends. */
export function say(port: number, { text, splitAt }: Said): Promise<Heard> {
  return new Promise((heard, failed) => {
    const pieces: Buffer[] = []
    let own = 0
    const socket = connect(port, '127.0.0.1', () => {
      own = socket.localPort ?? 0
      const bytes = Buffer.from(text, 'latin1')
      socket.setNoDelay(true)
      if (splitAt === undefined) socket.end(bytes)
      else
        socket.write(bytes.subarray(0, splitAt), () =>
          setImmediate(() => socket.end(bytes.subarray(splitAt))),
        )
    })
    const late = setTimeout(() => {
      socket.destroy()
      failed(new Error(`no end within ${DEADLINE_MS} ms`))
    }, DEADLINE_MS)
    socket.on('data', (piece) => pieces.push(piece))
    // A reset is an answer too; what came before it is judged all the same.
    socket.on('error', () => undefined)
    socket.on('close', () => {
      clearTimeout(late)
      heard({ port: own, raw: Buffer.concat(pieces) })
    })
  })
}
