/**
 * What a request target may mean. Small clients and shells escape names in every way there is: raw bytes,
 * percent-encoded (RFC 3986 §2.1), `+` for a space or for itself, one Unicode form or the other, doubled
 * slashes, none at the front, backslashes in their place, the whole address in the request line (RFC 9112 §3.2.2).
 */

/** Longer targets name no file: file systems end at 255 bytes a segment, each escaped in at most 3. */
const TARGET_CHARACTERS = 8192

/**
 * Candidate names, likeliest first, each without slash in front. `target` as Node gives it: one character a
 * byte. No dot segment is resolved: a name is looked up letter by letter and never touches the file system.
 */
export function namesAskedFor(target: string): readonly string[] {
  if (target.length > TARGET_CHARACTERS) return []
  const path = target.replace(/^[A-Za-z][A-Za-z0-9+.-]*:\/\/[^/?#]*/, '')
  const readings = new Set<string>()
  for (const part of new Set([upTo(path, /[?#]/), upTo(path, /\?/), path])) {
    // Where a file's name holds an escape letter for letter, that is the last thing that is meant (RFC 3986 §2.4).
    addText(readings, percentDecoded(part))
    addText(readings, part)
    if (part.includes('+')) addText(readings, percentDecoded(part.replaceAll('+', ' ')))
  }
  // Last, since a name may hold a backslash.
  for (const reading of [...readings])
    if (reading.includes('\\')) addText(readings, reading.replaceAll('\\', '/'))
  return [...readings]
}

function addText(readings: Set<string>, latin1: string): void {
  const text = fromUtf8(latin1) ?? latin1
  const name = text.replace(/\/{2,}/g, '/').replace(/^\//, '')
  readings.add(name)
  readings.add(name.normalize('NFC'))
}

function upTo(text: string, end: RegExp): string {
  const at = text.search(end)
  return at === -1 ? text : text.slice(0, at)
}

/** Escapes that are none stay as they are: names with a bare `%` exist. */
function percentDecoded(latin1: string): string {
  return latin1.replace(/%([0-9A-Fa-f]{2})/g, (_all, hex: string) =>
    String.fromCharCode(Number.parseInt(hex, 16)),
  )
}

/** undefined when the bytes are no UTF-8. Text that has characters above one byte already is left as it is. */
function fromUtf8(latin1: string): string | undefined {
  const codes = Array.from(latin1, (character) => character.codePointAt(0) ?? 0)
  if (codes.every((code) => code < 0x80) || codes.some((code) => code > 0xff)) return latin1
  try {
    return new TextDecoder('utf-8', { fatal: true, ignoreBOM: true }).decode(Buffer.from(latin1, 'latin1'))
  } catch {
    return undefined
  }
}
