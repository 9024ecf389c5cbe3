/** Scripts for threads and processes of our own: Node.js 20 starts none from TypeScript. */
import { existsSync } from 'node:fs'

/** `beside` is where it stands when built; run from source (tests), the one in `dist/` is used. */
export function builtScript(beside: URL): URL {
  if (existsSync(beside)) return beside
  const at = beside.href.lastIndexOf('/server/')
  return new URL(`${beside.href.slice(0, at)}/dist${beside.href.slice(at)}`)
}
