/**
 * The folder's token. It comes in the address that the server printed, leaves the address bar and the history at once,
 * and stays in this tab alone. Whoever answers on the server's port proves that it knows the token before it is told
 * it: after a restart another program may have taken the port.
 */
import { proofText } from '../proof-text.ts'
import { AskError, answerTo } from './answers.ts'

/** `not said`: the server was asked and gave no answer; it is asked again. */
export type Permission = 'unknown' | 'may change' | 'no token' | 'old token' | 'not said'

const KEY = 'fetchproof-token'
const AGAIN_MS = 5_000

export type TokenKeeper = ReturnType<typeof createTokenKeeper>

export function createTokenKeeper(onChange: () => void) {
  let token = fromAddress() ?? sessionStorage.getItem(KEY) ?? undefined
  let again: ReturnType<typeof setTimeout> | undefined
  let permission: Permission = token === undefined ? 'no token' : 'unknown'

  function set(next: Permission): void {
    if (permission === next) return
    permission = next
    onChange()
  }

  async function headers(): Promise<Readonly<Record<string, string>>> {
    if (token === undefined || !(await isKnown(token))) {
      set(token === undefined ? 'no token' : 'old token')
      throw new AskError('', 'The server does not know the token of this page. Nothing was done.')
    }
    return { authorization: `Bearer ${token}` }
  }

  async function check(): Promise<void> {
    clearTimeout(again)
    if (token === undefined) return set('no token')
    try {
      const { status } = await answerTo('/api/token', { method: 'POST', headers: await headers() })
      if (status === 204) return set('may change')
      if (status === 401) return set('old token')
    } catch {
      if (permission === 'old token') return
    }
    set('not said')
    again = setTimeout(() => void check(), AGAIN_MS)
  }

  // Pasting the new address into this tab changes its fragment alone and loads nothing.
  window.addEventListener('hashchange', () => {
    const given = fromAddress()
    if (given === undefined) return
    token = given
    permission = 'unknown'
    void check()
  })

  return {
    permission: (): Permission => permission,
    /** What a change is asked with. Rejects with a sentence when the server does not prove that it is the one. */
    headers,
    /** Asks the server whether the token is the right one; call whenever a run is met. Never rejects. */
    check,
    /** The server said that the token is not the right one. */
    refused: (): void => set('old token'),
  }
}

/** Rejects when no answer came. */
async function isKnown(token: string): Promise<boolean> {
  const nonce = hexOf(crypto.getRandomValues(new Uint8Array(32)))
  const { status, text } = await answerTo(`/api/proof?nonce=${nonce}`)
  const proof = status === 200 ? /"proof":"([0-9a-f]{64})"/.exec(text)?.[1] : undefined
  if (proof === undefined) return false
  const utf8 = new TextEncoder()
  const algorithm = { name: 'HMAC', hash: 'SHA-256' }
  const key = await crypto.subtle.importKey('raw', utf8.encode(token), algorithm, false, ['sign'])
  const port = Number(location.port === '' ? 80 : location.port)
  const signed = await crypto.subtle.sign('HMAC', key, utf8.encode(proofText(port, nonce)))
  return hexOf(new Uint8Array(signed)) === proof
}

function hexOf(bytes: Uint8Array): string {
  return [...bytes].map((byte) => byte.toString(16).padStart(2, '0')).join('')
}

function fromAddress(): string | undefined {
  const given = /^#token=([\w-]+)$/.exec(location.hash)?.[1]
  if (given === undefined) return undefined
  sessionStorage.setItem(KEY, given)
  history.replaceState(null, '', location.pathname)
  return given
}
