/**
 * Requests whose lines end in a bare line feed, which a recipient may take for a line's end (RFC 9112 §2.2) and small
 * clients send. They are mended before Node's parser sees them: its lenient mode would let other things in as well.
 */
import { maxHeaderSize, type Server } from 'node:http'
import type { Socket } from 'node:net'

const BARE_LINE_FEED = /(?<!\r)\n/g
const HEAD_END = /\n\r?\n/
const REQUEST_LINE = /^(?:GET|HEAD) .+ HTTP\/1\.[01]$/

/** `added`: how many bytes the parser will see beyond those that came. */
export function mendLineEnds(server: Server, added: (socket: Socket, bytes: number) => void): void {
  const parse = server.listeners('connection')
  server.removeAllListeners('connection')
  server.on('connection', (socket) => {
    let head: Buffer = Buffer.alloc(0)
    function take(): void {
      const bytes = socket.read() as Buffer | null
      if (bytes === null) return
      head = head.length === 0 ? bytes : Buffer.concat([head, bytes])
      const mended = mendedHead(head)
      if (mended === undefined) return
      socket.removeListener('readable', take)
      if (mended !== head) added(socket, mended.length - head.length)
      socket.unshift(mended)
      for (const listener of parse) listener.call(server, socket)
    }
    socket.on('readable', take)
  })
}

/** The bytes for the parser: the very same where nothing is to be mended; undefined while more must come. */
function mendedHead(bytes: Buffer): Buffer | undefined {
  const text = bytes.toString('latin1')
  const lineEnd = text.indexOf('\n')
  if (lineEnd === -1) return isBegun(text) ? undefined : bytes
  const isBare = text[lineEnd - 1] !== '\r'
  if (isBare && !REQUEST_LINE.test(text.slice(0, lineEnd))) return bytes
  const end = HEAD_END.exec(text)
  if (end === null) return isBare && bytes.length < maxHeaderSize ? undefined : bytes
  const headBytes = end.index + end[0].length
  const head = text.slice(0, headBytes)
  const mended = withLineEnds(head)
  if (mended.length === head.length) return bytes
  return Buffer.concat([Buffer.from(mended, 'latin1'), bytes.subarray(headBytes)])
}

/** What may still become a request line that is answered. The parser refuses anything else at once. */
function isBegun(text: string): boolean {
  if (text.length >= maxHeaderSize) return false
  return ['GET ', 'HEAD '].some((method) => text.startsWith(method) || method.startsWith(text))
}

/** A head as text, one character a byte. */
export function withLineEnds(text: string): string {
  return text.replace(BARE_LINE_FEED, '\r\n')
}
