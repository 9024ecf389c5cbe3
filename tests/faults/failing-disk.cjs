// Preloaded into a server, its threads included: a disk whose blocks from 1 MiB on cannot be read (EIO) in files of a
// folder, for as long as FAILING_DISK names a file that is there. What the system itself says for such a disk (read(2)).
const fs = require('node:fs')
const { syncBuiltinESMExports } = require('node:module')

const { FAILING_DISK: sign = '', FAILING_FOLDER: folder = '' } = process.env
const GOOD_BYTES = 1024 * 1024

function fails(fd, position, bytes) {
  if (!fs.existsSync(sign) || typeof position !== 'number' || position + bytes <= GOOD_BYTES) return false
  return fs.readlinkSync(`/proc/self/fd/${fd}`).startsWith(`${folder}/`)
}

const eio = (syscall) =>
  Object.assign(new Error(`EIO: i/o error, ${syscall}`), { code: 'EIO', errno: -5, syscall })

const { readSync, readv } = fs
fs.readSync = (fd, buffer, ...rest) => {
  const [offset, length, position] = rest
  if (fails(fd, position, length ?? buffer.length - (offset ?? 0))) throw eio('read')
  return readSync(fd, buffer, ...rest)
}
fs.readv = (fd, buffers, position, done) => {
  const bytes = buffers.reduce((sum, { byteLength }) => sum + byteLength, 0)
  if (fails(fd, position, bytes)) setImmediate(done, eio('readv'), 0, buffers)
  else readv(fd, buffers, position, done)
}
fs.readv[Symbol.for('nodejs.util.promisify.custom')] = (fd, buffers, position) =>
  new Promise((read, failed) => {
    fs.readv(fd, buffers, position, (error, bytesRead) =>
      error ? failed(error) : read({ bytesRead, buffers }),
    )
  })
syncBuiltinESMExports()
