/** A path as it is typed in a shell. */

/** Bare where nothing in it is special. */
export function typedPath(path: string, platform: NodeJS.Platform = process.platform): string {
  return /^[\w./\\:~+@,-]+$/.test(path) ? path : quoted(path, platform)
}

/** In double quotes a shell would still replace some characters; no path of Windows holds a double quote. */
export function quoted(text: string, platform: NodeJS.Platform = process.platform): string {
  if (platform === 'win32') return `"${text.replaceAll('"', '\\"')}"`
  return /["$`\\!]/.test(text) ? `'${text.replaceAll("'", "'\\''")}'` : `"${text}"`
}
