/**
 * Texts in which people find a maker's digests, as tools, pages, spreadsheets and consoles write them. Each is made for
 * one image and whatever digests it is given: with the image's own it is to match, with one wrong digit it is to be
 * held. Forms are of the tools' own manuals and of common practice; all names and digests are made up here.
 */
import { createHash } from 'node:crypto'
import { crc32 } from 'node:zlib'

export const IMAGE = 'reading-room-4.2.bin'
export const OTHER = 'lobby-gate-1.0.img'

export type Digests = Readonly<
  Record<'md5' | 'sha1' | 'sha224' | 'sha256' | 'sha384' | 'sha512' | 'crc32', string>
>

export function digestsOf(content: string): Digests {
  const hash = (algorithm: string) => createHash(algorithm).update(content).digest('hex')
  return {
    md5: hash('md5'),
    sha1: hash('sha1'),
    sha224: hash('sha224'),
    sha256: hash('sha256'),
    sha384: hash('sha384'),
    sha512: hash('sha512'),
    crc32: crc32(content).toString(16).padStart(8, '0'),
  }
}

/** One digit is another one. */
export function oneDigitWrong(digests: Digests): Digests {
  const wrong = (hex: string) => {
    const at = Math.floor(hex.length / 3)
    return hex.slice(0, at) + (hex[at] === '7' ? '2' : '7') + hex.slice(at + 1)
  }
  return Object.fromEntries(Object.entries(digests).map(([name, hex]) => [name, wrong(hex)])) as Digests
}

export interface TextKind {
  /** The name of the text in the folder. */
  readonly file: string
  /** The text about an image with digests `d`; `o` are another image's. */
  readonly text: (d: Digests, o: Digests) => string | Uint8Array
}

const grouped = (hex: string, size: number, separator: string) =>
  (hex.match(new RegExp(`.{1,${size}}`, 'g')) ?? []).join(separator)
const base64 = (hex: string) => Buffer.from(hex, 'hex').toString('base64')
const lines = (...all: string[]) => `${all.join('\n')}\n`
const dos = (...all: string[]) => `${all.join('\r\n')}\r\n`
const upper = (hex: string) => hex.toUpperCase()
const utf16 = (text: string) => Buffer.from(text, 'utf16le')
const PATH = `C:\\Users\\visit\\Downloads\\${IMAGE}`

export const TEXTS: Readonly<Record<string, TextKind>> = {
  // Lists of tools.
  'coreutils, text mode': {
    file: 'SHA256SUMS',
    text: (d, o) => lines(`${d.sha256}  ${IMAGE}`, `${o.sha256}  ${OTHER}`),
  },
  'coreutils, binary mode': { file: 'MD5SUMS', text: (d) => lines(`${d.md5} *${IMAGE}`) },
  'coreutils, with the path of the list': {
    file: 'sha1sums.txt',
    text: (d) => lines(`${d.sha1}  ./images/${IMAGE}`),
  },
  'coreutils, tagged': { file: 'checksums.txt', text: (d) => lines(`SHA512 (${IMAGE}) = ${d.sha512}`) },
  'coreutils, tagged in base64': {
    file: 'CHECKSUM',
    text: (d) => lines(`SHA256 (${IMAGE}) = ${base64(d.sha256)}`),
  },
  'coreutils, SHA-224': { file: 'SHA224SUMS', text: (d) => lines(`${d.sha224}  ${IMAGE}`) },
  'coreutils, SHA-384': { file: 'SHA384SUMS', text: (d) => lines(`${d.sha384}  ${IMAGE}`) },
  'openssl dgst': { file: 'digest.txt', text: (d) => lines(`SHA2-256(${IMAGE})= ${d.sha256}`) },
  'openssl dgst of old': { file: 'digest.txt', text: (d) => lines(`MD5(${IMAGE})= ${d.md5}`) },
  'openssl dgst -c': { file: 'digest.txt', text: (d) => lines(`SHA1(${IMAGE})= ${grouped(d.sha1, 2, ':')}`) },
  'openssl dgst -r': { file: 'digest.txt', text: (d) => lines(`${d.sha256} *${IMAGE}`) },
  'hashdeep, its CSV': {
    file: 'hashes.txt',
    text: (d, o) =>
      lines(
        '%%%% HASHDEEP-1.0',
        '%%%% size,md5,sha256,filename',
        '## Invoked from: /srv/build',
        '## $ hashdeep -r .',
        '## ',
        `17,${d.md5},${d.sha256},/srv/build/${IMAGE}`,
        `17,${o.md5},${o.sha256},/srv/build/${OTHER}`,
      ),
  },
  'a list of CRC-32': {
    file: 'files.sfv',
    text: (d, o) =>
      dos(
        '; Generated on 2026-11-25 at 12:00.00',
        `;           17  12:00.00 2026-11-25 ${IMAGE}`,
        `${IMAGE} ${upper(d.crc32)}`,
        `${OTHER} ${upper(o.crc32)}`,
      ),
  },
  'a sidecar of CRC-32': { file: `${IMAGE}.sfv`, text: (d) => lines(`${IMAGE} ${d.crc32}`) },
  'several algorithms in sections': {
    file: `${IMAGE}.DIGESTS`,
    text: (d) =>
      lines(
        '# MD5 HASH',
        `${d.md5}  ${IMAGE}`,
        '# SHA1 HASH',
        `${d.sha1}  ${IMAGE}`,
        '# SHA512 HASH',
        `${d.sha512}  ${IMAGE}`,
      ),
  },
  'a section that is not compared before one that is': {
    file: 'checksums.txt',
    text: (d, o) => lines('# SHA3-256', `${o.sha256}  ${IMAGE}`, '# SHA-256', `${d.sha256}  ${IMAGE}`),
  },
  'a clear-signed list': {
    file: 'SHA256SUMS.asc',
    text: (d) =>
      lines(
        '-----BEGIN PGP SIGNED MESSAGE-----',
        'Hash: SHA512',
        '',
        `${d.sha256}  ${IMAGE}`,
        '-----BEGIN PGP SIGNATURE-----',
        '',
        'iHUEARYKAB0WIQTnobodysSignatureAtAll',
        '=AbCd',
        '-----END PGP SIGNATURE-----',
      ),
  },
  'a clear-signed sidecar': {
    file: `${IMAGE}.sha256.asc`,
    text: (d) =>
      lines(
        '-----BEGIN PGP SIGNED MESSAGE-----',
        'Hash: SHA256',
        '',
        d.sha256,
        '-----BEGIN PGP SIGNATURE-----',
        '',
        'x',
      ),
  },
  // Windows shells.
  'Get-FileHash, as a table': {
    file: 'hash.txt',
    text: (d) =>
      utf16(
        dos(
          '',
          'Algorithm       Hash                                                                   Path',
          '---------       ----                                                                   ----',
          `SHA256          ${upper(d.sha256)}       ${PATH}`,
          '',
        ),
      ),
  },
  'Get-FileHash, as a table with its path cut off': {
    file: `${IMAGE}.sha256`,
    text: (d) =>
      dos(
        'Algorithm       Hash                                                                   Path',
        '---------       ----                                                                   ----',
        `SHA256          ${upper(d.sha256)}       C:\\Users\\visit\\Downl...`,
      ),
  },
  'Get-FileHash, as a list': {
    file: 'hashes.txt',
    text: (d, o) =>
      Buffer.concat([
        Buffer.from([0xff, 0xfe]),
        utf16(
          dos(
            '',
            'Algorithm : SHA256',
            `Hash      : ${upper(o.sha256)}`,
            `Path      : C:\\Users\\visit\\Downloads\\${OTHER}`,
            '',
            'Algorithm : SHA256',
            `Hash      : ${upper(d.sha256)}`,
            `Path      : ${PATH}`,
            '',
          ),
        ),
      ]),
  },
  'Get-FileHash, as CSV': {
    file: 'hashes.csv',
    text: (d, o) =>
      dos(
        '#TYPE Selected.FileHash',
        '"Algorithm","Hash","Path"',
        `"SHA256","${upper(o.sha256)}","C:\\Users\\visit, field\\${OTHER}"`,
        `"SHA256","${upper(d.sha256)}","${PATH}"`,
      ),
  },
  'Get-FileHash, as JSON': {
    file: 'hash.json',
    text: (d) => JSON.stringify({ Algorithm: 'SHA256', Hash: upper(d.sha256), Path: PATH }, null, 4),
  },
  'certutil of new Windows': {
    file: 'certutil.txt',
    text: (d) =>
      dos(`SHA256 hash of ${PATH}:`, d.sha256, 'CertUtil: -hashfile command completed successfully.'),
  },
  'certutil of old Windows': {
    file: 'certutil.txt',
    text: (d) =>
      dos(
        `SHA1 hash of file ${PATH}:`,
        grouped(d.sha1, 2, ' '),
        'CertUtil: -hashfile command completed successfully.',
      ),
  },
  'certutil in another language': {
    file: 'certutil.txt',
    text: (d) =>
      dos(`MD5-Hash von ${IMAGE}:`, d.md5, 'CertUtil: -hashfile-Befehl wurde erfolgreich ausgeführt.'),
  },
  // Sidecars.
  'a bare digest': { file: `${IMAGE}.sha256`, text: (d) => d.sha256 },
  'a bare digest in capitals': { file: `${IMAGE}.MD5`, text: (d) => dos(upper(d.md5)) },
  'a bare digest, of standard input': { file: `${IMAGE}.sha512`, text: (d) => lines(`${d.sha512}  -`) },
  'a sidecar without the extension of the image': { file: 'reading-room-4.2.md5', text: (d) => lines(d.md5) },
  'a sidecar whose name says no length': { file: `${IMAGE}.sha`, text: (d) => lines(d.sha1) },
  'a sidecar with the path of the build': {
    file: `${IMAGE}.sha256sum`,
    text: (d) => lines(`${d.sha256}  /srv/build/out/core-r7712.bin`),
  },
  'a wrapped SHA-512': {
    file: `${IMAGE}.sha512`,
    text: (d) => lines(d.sha512.slice(0, 64), d.sha512.slice(64)),
  },
  'a SHA-512 in the rows of a narrow console': {
    file: `${IMAGE}.sha512`,
    text: (d) => lines(d.sha512.slice(0, 72), d.sha512.slice(72)),
  },
  'a text beside it': { file: `${IMAGE}.txt`, text: (d) => lines('SHA-256', d.sha256) },
  // The digest last.
  'name, digest': {
    file: 'digests.txt',
    text: (d, o) => lines(`${OTHER} ${o.sha256}`, `${IMAGE} ${d.sha256}`),
  },
  'name, colon, digest': { file: 'digests.txt', text: (d) => lines(`${IMAGE}: ${d.sha256}`) },
  'name, equals, digest': { file: 'digests.txt', text: (d) => lines(`${IMAGE} = ${d.sha1}`) },
  'name, arrow, digest': { file: 'digests.txt', text: (d) => lines(`${IMAGE} -> ${d.sha256}`) },
  'name, tab, digest': {
    file: 'digests.txt',
    text: (d, o) => lines(`${IMAGE}\t${d.md5}`, `${OTHER}\t${o.md5}`),
  },
  'name, size, digest': { file: 'digests.txt', text: (d) => lines(`${IMAGE} (12.3 MB) ${d.sha256}`) },
  'digest, size, name': { file: 'digests.txt', text: (d) => lines(` ${d.sha256}  1234567 main/${IMAGE}`) },
  'name, algorithm and digest in brackets': {
    file: 'digests.txt',
    text: (d) => lines(`${IMAGE} (SHA256: ${d.sha256})`),
  },
  'algorithm with a colon before it': {
    file: 'digests.txt',
    text: (d) => lines(`${IMAGE} sha256:${d.sha256}`),
  },
  '0x before it': { file: 'digests.txt', text: (d) => lines(`${IMAGE} 0x${d.md5}`) },
  'quoted names': { file: 'digests.txt', text: (d) => lines(`"${IMAGE}" "${d.sha256}"`) },
  'typographic quotes': { file: 'digests.txt', text: (d) => lines(`\u201c${IMAGE}\u201d: ${d.sha256}`) },
  'several digests on one line': {
    file: 'digests.txt',
    text: (d) => lines(`${IMAGE} MD5: ${d.md5} SHA1: ${d.sha1} SHA256: ${d.sha256}`),
  },
  'all of it on one line': {
    file: 'digests.txt',
    text: (d, o) => `${OTHER} ${o.sha256} ${IMAGE} ${d.sha256}`,
  },
  'digests first, on one line': {
    file: 'digests.txt',
    text: (d, o) => `${o.sha256} ${OTHER}, ${d.sha256} ${IMAGE}`,
  },
  'in pairs with blanks': { file: 'digests.txt', text: (d) => lines(`${IMAGE}: ${grouped(d.md5, 2, ' ')}`) },
  'in pairs with hyphens': {
    file: 'digests.txt',
    text: (d) => lines(`${IMAGE}: ${grouped(upper(d.sha1), 2, '-')}`),
  },
  'in eights with blanks': {
    file: 'digests.txt',
    text: (d) => lines(`${IMAGE} SHA-256 ${grouped(d.sha256, 8, ' ')}`),
  },
  'subresource integrity': { file: 'digests.txt', text: (d) => lines(`${IMAGE} sha256-${base64(d.sha256)}`) },
  'a digest field of HTTP': {
    file: 'digests.txt',
    text: (d) => lines(`${IMAGE}`, `Repr-Digest: sha-512=:${base64(d.sha512)}:`),
  },
  // Pages, pasted or saved.
  'a Markdown list': {
    file: 'hashes.md',
    text: (d, o) =>
      lines('## Checksums', '', `- \`${OTHER}\`: \`${o.sha256}\``, `- \`${IMAGE}\`: \`${d.sha256}\``),
  },
  'a Markdown table': {
    file: 'RELEASE.md',
    text: (d, o) =>
      lines(
        '# Release 4.2',
        '',
        'Read all of this page before you begin, and keep the old image.',
        '',
        '| File | Size | SHA-256 |',
        '| --- | ---: | --- |',
        `| [${OTHER}](https://downloads.example/${OTHER}) | 3 MB | \`${o.sha256}\` |`,
        `| [${IMAGE}](https://downloads.example/${IMAGE}) | 12 MB | \`${d.sha256}\` |`,
      ),
  },
  'a table with a column for each algorithm': {
    file: 'notes.txt',
    text: (d) =>
      lines(
        'File\tMD5\tSHA3-256\tSHA-256',
        `${IMAGE}\t${d.md5}\t${d.sha256.replace(/./g, 'a')}\t${d.sha256}`,
      ),
  },
  'a table with addresses': {
    file: 'notes.txt',
    text: (d) =>
      lines('Download\tChecksum (SHA-1)', `https://downloads.example/v4/${IMAGE}?source=notes\t${d.sha1}`),
  },
  'a saved page': {
    file: 'downloads.html',
    text: (d, o) =>
      lines(
        '<!doctype html><html><body><table>',
        `<tr><td>${OTHER}</td><td><code>${o.sha256}</code></td></tr>`,
        `<tr><td><a href="/v4/x">${IMAGE}</a></td><td><code>${d.sha256}</code></td></tr></table>`,
      ),
  },
  'a page with no-break spaces and zero-width characters': {
    file: 'notes.txt',
    text: (d) =>
      lines(`\u200b${IMAGE}\u00a0\u00a0SHA256:\u00a0${d.sha256.slice(0, 32)}\u200b${d.sha256.slice(32)}`),
  },
  'lines that end in U+2028': {
    file: 'notes.txt',
    text: (d, o) => [OTHER, o.sha256, IMAGE, d.sha256, ''].join('\u2028'),
  },
  'pages of a PDF': {
    file: 'notes.txt',
    text: (d, o) => `Checksums (SHA-256)\f${OTHER}\n${o.sha256}\f${IMAGE}\n${d.sha256}\n\f12`,
  },
  'old Mac line ends': { file: 'checksums.txt', text: (d, o) => `${o.md5}  ${OTHER}\r${d.md5}  ${IMAGE}\r` },
  // Blocks and headings.
  'blocks of labels': {
    file: 'notes.txt',
    text: (d, o) =>
      lines(
        `Name: ${OTHER}`,
        'Size: 12',
        `SHA256: ${o.sha256}`,
        '',
        `Name: ${IMAGE}`,
        'Size: 17',
        `SHA256: ${d.sha256}`,
      ),
  },
  'blocks with the name last': {
    file: 'notes.txt',
    text: (d, o) => lines(`MD5: ${o.md5}`, `File: ${OTHER}`, '', `MD5: ${d.md5}`, `File: ${IMAGE}`),
  },
  'the name alone above its digests': {
    file: 'notes.txt',
    text: (d, o) =>
      lines(OTHER, `  MD5  ${o.md5}`, `  SHA1 ${o.sha1}`, '', IMAGE, `  MD5  ${d.md5}`, `  SHA1 ${d.sha1}`),
  },
  'headings and paragraphs': {
    file: 'notes.md',
    text: (d, o) =>
      lines(`## ${OTHER}`, '', 'SHA-256', '', o.sha256, '', `## ${IMAGE}`, '', 'SHA-256', '', d.sha256),
  },
  'release notes': {
    file: 'reading-room-sha.txt',
    text: (d) =>
      lines(
        'Reading room switch, release 4.2',
        '',
        'This release mends the clock of the lending desk and the stalled fetch of the lobby.',
        'Take the old image with you, and do not cut the power while the switch writes.',
        '',
        `The SHA-256 checksum of the firmware file ${IMAGE} (version 4.2) is`,
        `${d.sha256}.`,
        '',
        'Build: 20261125-7712',
      ),
  },
  'a sentence': {
    file: 'notes.txt',
    text: (d) => lines(`The SHA-256 of ${IMAGE} is ${d.sha256}, as published.`),
  },
  YAML: {
    file: 'files.txt',
    text: (d, o) =>
      lines(`- name: ${OTHER}`, `  sha256: ${o.sha256}`, `- name: ${IMAGE}`, `  sha256: ${d.sha256}`),
  },
  XML: {
    file: 'files.txt',
    text: (d) => lines('<files>', `  <file name="${IMAGE}" sha256="${d.sha256}"/>`, '</files>'),
  },
  // JSON.
  'JSON, by name': {
    file: 'manifest.json',
    text: (d, o) =>
      JSON.stringify({ [OTHER]: { sha256: o.sha256 }, [IMAGE]: { size: 17, md5: d.md5, sha256: d.sha256 } }),
  },
  'JSON, a list of files': {
    file: 'manifest.json',
    text: (d, o) =>
      JSON.stringify(
        {
          files: [
            { name: OTHER, sha256: o.sha256 },
            { name: IMAGE, sha256: d.sha256 },
          ],
        },
        null,
        2,
      ),
  },
  'JSON, digests below the file': {
    file: 'manifest.json',
    text: (d) => JSON.stringify([{ file: `out/${IMAGE}`, checksums: { 'SHA-1': d.sha1, sha512: d.sha512 } }]),
  },
  'JSON, by algorithm': {
    file: 'manifest.json',
    text: (d) => JSON.stringify({ sha256: { [IMAGE]: d.sha256 } }),
  },
  'JSON, name and digest alone': {
    file: 'manifest.json',
    text: (d) => JSON.stringify({ [IMAGE]: d.sha256 }),
  },
  'JSON with base64': {
    file: 'manifest.json',
    text: (d) =>
      JSON.stringify({ url: `https://downloads.example/${IMAGE}`, integrity: `sha512-${base64(d.sha512)}` }),
  },
  'half of a JSON': {
    file: 'manifest.txt',
    text: (d, o) =>
      JSON.stringify(
        [
          { name: IMAGE, sha256: d.sha256 },
          { name: OTHER, sha256: o.sha256 },
        ],
        null,
        2,
      ).slice(0, -3),
  },
  // Beside other numbers.
  'a commit, a key and a build id beside it': {
    file: `${IMAGE}.txt`,
    text: (d, o) =>
      lines(
        `Commit: ${o.sha1}`,
        `SHA-256: ${d.sha256}`,
        `Signing key fingerprint: ${grouped(upper(o.sha1), 4, ' ')}`,
        `Build ID: ${o.sha1}`,
      ),
  },
  'SHA3 named as such beside it': {
    file: 'checksums.txt',
    text: (d, o) => lines(`SHA3-256(${IMAGE})= ${o.sha256}`, `SHA2-256(${IMAGE})= ${d.sha256}`),
  },
}
