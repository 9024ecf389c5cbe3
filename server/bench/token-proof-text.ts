/** What a server that knows the token signs, so that a page or a command tells it from another program on its port. */

/** `port`: that which the asker has connected to; `nonce`: the asker's own. */
export function proofText(port: number, nonce: string): string {
  return `fetchproof page ${port} ${nonce}`
}
