/** What Node's parser refuses and small clients send all the same. Its own lenient mode would let other things in as well. */
import { IncomingMessage, maxHeaderSize, type Server, ServerResponse } from 'node:http'
import type { Socket } from 'node:net'
import { trimOws } from '../delivery/range-header.ts'

const BARE_LINE_FEED = /(?<!\r)\n/g
const HEAD_END = /\n\r?\n/
const ANY_REQUEST_LINE = /^(?:GET|HEAD) .+ HTTP\/1\.[01]$/

/**
 * Lines that end in a bare line feed, which a recipient may take for a line's end (RFC 9112 §2.2) and small clients send,
 * are mended before the parser sees them. `added`: how many bytes the parser will see beyond those that came.
 */
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
  if (isBare && !ANY_REQUEST_LINE.test(text.slice(0, lineEnd))) return bytes
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
function withLineEnds(text: string): string {
  return text.replace(BARE_LINE_FEED, '\r\n')
}

const REQUEST_LINE = /^(GET|HEAD) (\/.*?) HTTP\/(1)\.([01])$/
// Takes time in proportion to the line: whoever reaches the port can send one.
const FIELD_LINE = /^([!#$%&'*+.^_`|~0-9A-Za-z-]+):([^\r\n\0]*)$/

/**
 * A request whose only fault is an unescaped target (accents or spaces of a file name, typed as they are on a console), or
 * bare line feeds on a connection that had a request before: its head read by hand and the target escaped, so that the image
 * is found. Undefined when more is wrong with it, or its head is not complete.
 */
export function readRawTarget(
  packet: Buffer,
  socket: Socket,
): { request: IncomingMessage; response: ServerResponse } | undefined {
  if (packet.length > maxHeaderSize) return undefined
  const text = withLineEnds(packet.toString('latin1'))
  const end = text.indexOf('\r\n\r\n')
  if (end === -1 || end + 4 !== text.length) return undefined
  const [first = '', ...fields] = text.slice(0, end).split('\r\n')
  const line = REQUEST_LINE.exec(first)
  if (line === null) return undefined
  const request = new IncomingMessage(socket)
  for (const field of fields) {
    const parts = FIELD_LINE.exec(field)
    if (parts === null) return undefined
    const name = parts[1]?.toLowerCase() ?? ''
    const value = trimOws(parts[2] ?? '')
    // Where its body ends is then no longer certain (RFC 9112 §6.3).
    if (name === 'transfer-encoding') return undefined
    if (name === 'content-length' && (value !== '0' || request.headers[name] !== undefined)) return undefined
    // As Node does with fields that may stand once: the first one counts.
    request.headers[name] ??= value
  }
  request.method = line[1] ?? ''
  request.url = escaped(line[2] ?? '')
  request.httpVersionMajor = 1
  request.httpVersionMinor = Number(line[4])
  request.httpVersion = `1.${line[4]}`
  // Otherwise Node takes the end of its (absent) body for a lost connection and destroys the socket.
  request.complete = true
  request.push(null)
  const response = new ServerResponse(request)
  response.assignSocket(socket)
  response.shouldKeepAlive = false
  response.on('finish', () => socket.end())
  return { request, response }
}

/** Escapes what may not stand in a target (RFC 3986 §2); what is escaped already stays as it is. */
function escaped(target: string): string {
  return target.replace(/[^!#-~]/g, (character) => {
    return `%${character.charCodeAt(0).toString(16).padStart(2, '0').toUpperCase()}`
  })
}
