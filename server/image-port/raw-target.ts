/**
 * Requests whose only fault is an unescaped target (accents or spaces of a file name, typed as they are on a console),
 * or bare line feeds on a connection that had a request before. Node's parser refuses them; here the head is read by
 * hand and the target escaped, so that the image is found.
 */
import { IncomingMessage, maxHeaderSize, ServerResponse } from 'node:http'
import type { Socket } from 'node:net'
import { trimOws } from '../delivery/range-header.ts'
import { withLineEnds } from './line-ends.ts'

const REQUEST_LINE = /^(GET|HEAD) (\/.*?) HTTP\/(1)\.([01])$/
// Takes time in proportion to the line: whoever reaches the port can send one.
const FIELD_LINE = /^([!#$%&'*+.^_`|~0-9A-Za-z-]+):([^\r\n\0]*)$/

/** A request and the response to it, or undefined when more is wrong with it, or its head is not complete. */
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
