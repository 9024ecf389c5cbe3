/** Texts made to hurt who reads them: no ends of lines, or nothing else; depths, quotes, marks, half digests. */
import { createHash } from 'node:crypto'

const hex = (seed: number) => createHash('sha256').update(String(seed)).digest('hex')

/** The text, piece by piece. */
export const HOSTILE: Readonly<Record<string, (at: number) => string>> = {
  'a list': (at) => `${hex(at)}  file${at}.bin\n`,
  'one name on every line': (at) => `${hex(at)}  fw.bin\n`,
  'bare digests': (at) => `${hex(at)}\n`,
  'one line of digests': (at) => `${hex(at)} x${at}.bin `,
  'one line of hex words': () => 'a ',
  'one run of hex digits': () => 'ab',
  'hex words and line ends': () => 'ab\n',
  'words and line ends': () => 'zq\n',
  'names of files and line ends': () => 'a.b\n',
  'labels and line ends': () => 'md5\n',
  'pairs with colons': () => 'ab:',
  'pairs with blanks, in rows': (at) => `${hex(at).replace(/../g, '$& ')}\n`,
  'line ends': () => '\n',
  'control characters': () => '\u0000\u0007\u001b[\u202e',
  'half control sequences': () => '\u001b[0;0;0;',
  dots: () => '.',
  dashes: () => '-',
  'names of algorithms': () => 'sha256 ',
  'tags without an end': () => 'SHA256 (',
  'marks of HTML': () => '<td ',
  'quotes, and line ends now and then': (at) => (at % 999 === 0 ? '\n' : '"'),
  'cells of CSV on one line': (at) => `"${hex(at)}",`,
  'cells of CSV with an open quote': (at) => `"${hex(at)},\n`,
  'cells with tabs': (at) => `${hex(at)}\t`,
  'bars of Markdown': () => '|',
  'base64 on one line': (at) => createHash('sha256').update(String(at)).digest('base64').slice(0, 43),
  'nearly digests': (at) => `g${hex(at).slice(1)} `,
  'words without an end before a digest': (at) => `${'x'.repeat(4000)} ${hex(at)}\n`,
  'signs without an end before a digest': (at) => `${'='.repeat(4000)}a ${hex(at)}\n`,
  'open brackets of JSON': () => '[',
  'objects of JSON, never closed': () => '{"sha256":',
  prose: (at) => `The quick brown fox adds a bad cafe number ${at} to the list of words.\n`,
}

export function hostileText(kind: string, length: number): string {
  const pieces: string[] = []
  let sum = 0
  for (let at = 0; sum < length; at += 1) {
    const piece = HOSTILE[kind]?.(at) ?? ''
    pieces.push(piece)
    sum += piece.length
  }
  return pieces.join('')
}

/** JSON as deep as `length` allows, whole. */
export function deepJson(length: number): string {
  return '['.repeat(length / 2) + ']'.repeat(length / 2)
}
