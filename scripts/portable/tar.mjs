// Archives in the ustar form of POSIX.1-2017 (pax): only regular files, names of at most 100 characters.
const BLOCK = 512

/** Name -> bytes of those that are wanted. */
export function tarEntries(tar, names) {
  const found = new Map()
  for (let at = 0; at + BLOCK <= tar.length && tar[at] !== 0; ) {
    const text = (from, length) => tar.toString('latin1', at + from, at + from + length).replace(/\0.*$/s, '')
    const bytes = Number.parseInt(text(124, 12), 8)
    if (names.includes(text(0, 100))) found.set(text(0, 100), tar.subarray(at + BLOCK, at + BLOCK + bytes))
    at += BLOCK + Math.ceil(bytes / BLOCK) * BLOCK
  }
  return found
}

/** `files`: `{ name, bytes, mode }` in the order in which they shall stand. `time`: seconds since 1970. */
export function tarOf(files, time) {
  const parts = files.flatMap(({ name, bytes, mode }) => [
    headerOf(name, bytes.length, mode, time),
    bytes,
    Buffer.alloc((BLOCK - (bytes.length % BLOCK)) % BLOCK),
  ])
  return Buffer.concat([...parts, Buffer.alloc(2 * BLOCK)])
}

function headerOf(name, bytes, mode, time) {
  if (Buffer.byteLength(name) > 100) throw new Error(`${name} is too long for this archive`)
  const header = Buffer.alloc(BLOCK)
  const octal = (value, at, length) => header.write(value.toString(8).padStart(length - 1, '0'), at)
  header.write(name)
  octal(mode, 100, 8)
  octal(0, 108, 8)
  octal(0, 116, 8)
  octal(bytes, 124, 12)
  octal(time, 136, 12)
  header.write('0', 156)
  header.write('ustar\x0000', 257)
  header.fill(' ', 148, 156)
  const sum = header.reduce((total, byte) => total + byte, 0)
  header.write(`${sum.toString(8).padStart(6, '0')}\0 `, 148)
  return header
}
