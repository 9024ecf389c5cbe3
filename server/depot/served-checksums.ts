/**
 * `/PATH.sha256` and `/SHA256SUMS`: lines that `sha256sum -c` reads (GNU coreutils manual, "md5sum invocation"): digest,
 * two blanks, name. A name with a backslash, line feed or carriage return is escaped, and the line then begins with a
 * backslash.
 */
import type { ReadyImage } from '../staging/image.ts'

export function checksumFile(image: ReadyImage): string {
  const name = image.plainPath.slice(image.plainPath.lastIndexOf('/') + 1)
  return checksumLine(image.version.sha256, name)
}

export function checksumList(images: readonly ReadyImage[]): string {
  return images.map((image) => checksumLine(image.version.sha256, image.plainPath.slice(1))).join('')
}

/** With its line feed. */
export function checksumLine(digest: string, name: string): string {
  if (!/[\\\n\r]/.test(name)) return `${digest}  ${name}\n`
  const escaped = name.replaceAll('\\', '\\\\').replaceAll('\n', '\\n').replaceAll('\r', '\\r')
  return `\\${digest}  ${escaped}\n`
}
