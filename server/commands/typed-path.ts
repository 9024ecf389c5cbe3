/** A path as it is typed in a shell: bare where nothing in it is special, else quoted. */
export function typedPath(path: string, platform: NodeJS.Platform = process.platform): string {
  if (/^[\w./\\:~+@,-]+$/.test(path)) return path
  if (platform === 'win32') return `"${path}"`
  return /["$`\\!]/.test(path) ? `'${path.replaceAll("'", "'\\''")}'` : `"${path}"`
}
