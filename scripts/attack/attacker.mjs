// A process of its own that misbehaves until it is ended: argv = kind, port, path of an image, its bytes.
// Prints one JSON line when ended: { done } (requests, connections or bytes, as ATTACKS of attacks.mjs says).
import { connect } from 'node:net'
import { setTimeout as wait } from 'node:timers/promises'

const [kind, port, path, size] = [
  process.argv[2],
  Number(process.argv[3]),
  process.argv[4],
  Number(process.argv[5]),
]
let done = 0
process.on('SIGTERM', () => {
  console.log(JSON.stringify({ done }))
  process.exit(0)
})

const get = (target, extra = '') => `GET ${target} HTTP/1.1\r\nHost: laptop\r\n${extra}\r\n`
/** One of many loopback addresses where no device of the truth fleet stands. */
const many = (at) => `127.250.${Math.floor(at / 250) % 250}.${(at % 250) + 1}`

/** `text` is sent once connected; what comes is not read unless `reads` says so. Resolves when it is over. */
function connection({ from, text, reads = false, on = () => undefined }) {
  const socket = connect({ port, host: '127.0.0.1', localAddress: from, noDelay: true })
  if (!reads) socket.pause()
  socket.on('connect', () => {
    if (text !== undefined) socket.write(text)
    on(socket)
  })
  if (reads) socket.on('data', () => undefined)
  const over = new Promise((closed) => socket.on('close', closed))
  socket.on('error', () => undefined)
  return { socket, over }
}

/** So many at all times: what ends is begun anew, at most `aSecond` a second. */
async function keep(count, aSecond, begin) {
  let open = 0
  for (let at = 0; ; ) {
    for (let begun = 0; begun < aSecond / 20 && open < count; begun += 1, at += 1) {
      open += 1
      done += 1
      void begin(at).then(() => {
        open -= 1
      })
    }
    await wait(50)
  }
}

/** New ones all the time, beside those that stay. */
async function unread(addressOf) {
  const held = (at) => connection({ from: addressOf(at), text: get(path) }).over
  void keep(512, 2_000, held)
  for (let at = 0; ; at += 5) {
    for (let more = 0; more < 5; more += 1) {
      done += 1
      void held(at + more)
    }
    await wait(50)
  }
}

/** Each asks for one byte and stays; when all have it, all are closed at once, and it begins anew. */
async function rangesEndedTogether(count) {
  for (;;) {
    const sockets = []
    for (let at = 0; at < count; at += 1) {
      const text = get(path, `Range: bytes=${at % size}-${at % size}\r\n`)
      sockets.push(connection({ from: many(0), text, reads: true }).socket)
      done += 1
      if (at % 50 === 49) await wait(100)
    }
    await wait(1_000)
    for (const socket of sockets) socket.end()
    await wait(500)
  }
}

function oneByteSender(at) {
  const text = get(path, `X-Padding: ${'x'.repeat(600)}\r\n`)
  const { socket, over } = connection({ from: many(at) })
  let sent = 0
  const timer = setInterval(() => {
    if (socket.writable && sent < text.length) socket.write(text[sent++])
  }, 1_000)
  return over.finally(() => clearInterval(timer))
}

function endlessBody(at) {
  const chunk = Buffer.alloc(1024 * 1024)
  const head = `POST ${path} HTTP/1.1\r\nHost: laptop\r\nContent-Length: ${10 * 1024 ** 3}\r\n\r\n`
  const on = (socket) => {
    const more = () => {
      while (!socket.destroyed && socket.write(chunk));
    }
    socket.on('drain', more)
    socket.on('close', () => {
      done += socket.bytesWritten - 1
    })
    more()
  }
  return connection({ from: many(at), text: head, reads: true, on }).over
}

const KINDS = {
  'unread at the limit': () => unread(many),
  'one address': () => unread(() => many(0)),
  'never read': () => keep(3_000, 150, (at) => connection({ from: many(at), text: get(path) }).over),
  'one byte at a time': () => keep(4_000, 4_000, oneByteSender),
  'connect and close': () =>
    keep(100, 10_000, (at) => connection({ from: many(at), on: (socket) => socket.destroy() }).over),
  resets: () =>
    keep(100, 300, (at) => {
      const { socket, over } = connection({ from: many(at), text: get(path), reads: true })
      socket.once('data', () => socket.resetAndDestroy())
      return over
    }),
  'ranges ended together': () => rangesEndedTogether(2_500),
  'distinct 404s': () =>
    keep(
      20,
      10_000,
      (at) =>
        connection({ from: many(0), text: get(`/no-${at}`, 'Connection: close\r\n'), reads: true }).over,
    ),
  'ten gigabytes': () => keep(4, 20, endlessBody),
}
await KINDS[kind]()
