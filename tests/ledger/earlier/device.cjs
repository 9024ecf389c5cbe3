// One connection of a device while a ledger is recorded; told by a JSON argument, prints how much of the body it read.
const { connect } = require('node:net')

const told = JSON.parse(process.argv[1])
const { method = 'GET', target, range, ifRange, upTo = Number.POSITIVE_INFINITY, leaving = 'in order' } = told
const line = told.line ?? `${method} ${target} HTTP/1.1`
const fields = [
  'Host: staging',
  'User-Agent: small-loader/1.0',
  range && `Range: ${range}`,
  ifRange && `If-Range: ${ifRange}`,
]
let head = ''
let body = 0
let over = false

const socket = connect({ host: told.host, port: told.port, localAddress: told.local, allowHalfOpen: true })
socket.on('connect', () => {
  socket.write([line, ...fields.filter(Boolean), '', ''].join('\r\n'))
  if (told.halfCloseFirst) socket.end()
})
socket.on('data', (bytes) => {
  const text = bytes.toString('latin1')
  const at = head.includes('\r\n\r\n') ? 0 : (head + text).indexOf('\r\n\r\n') + 4 - head.length
  if (!head.includes('\r\n\r\n')) head += text
  body += bytes.length - at
  const promised = Number(/content-length: (\d+)/i.exec(head)?.[1])
  if (body >= Math.min(upTo, promised)) leave()
  else if (told.slowly) {
    socket.pause()
    setTimeout(() => socket.resume(), 15)
  }
})
socket.on('end', leave)
socket.on('error', leave)

function leave() {
  if (over) return
  over = true
  // What has not been read by now never is.
  socket.pause()
  if (leaving === 'stay') {
    setInterval(() => undefined, 60_000)
    process.stdout.write(String(body))
    return
  }
  setTimeout(() => {
    if (leaving === 'reset') socket.resetAndDestroy()
    else if (!told.halfCloseFirst) socket.end()
    else socket.destroy()
    process.stdout.write(String(body))
    socket.unref()
  }, told.flashMs ?? 20)
}
