/**
 * Writing what `sha256sum -c` reads (GNU coreutils manual, "md5sum invocation"): digest, two blanks, name. A
 * name with a backslash, line feed or carriage return is escaped, and the line then begins with a backslash.
 */

/** One line, line feed included. */
export function formatLine(digest: string, name: string): string {
  if (!/[\\\n\r]/.test(name)) return `${digest}  ${name}\n`
  const escaped = name.replaceAll('\\', '\\\\').replaceAll('\n', '\\n').replaceAll('\r', '\\r')
  return `\\${digest}  ${escaped}\n`
}
