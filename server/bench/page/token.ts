/**
 * Asking the server with the folder's token. It comes in the address that the server printed, leaves the address bar and
 * the history at once, and stays in this tab alone. Whoever answers on the server's port proves that it knows the token
 * before it is told it: after a restart another program may have taken the port.
 */
import { proofText } from '../token-proof-text.ts'
import { answerTo } from './answers.ts'

/** `not said`: the server was asked and gave no answer; it is asked again. */
export type Permission = 'unknown' | 'may change' | 'no token' | 'old token' | 'not said'

const KEY = 'fetchproof-token'
const AGAIN_MS = 5_000

export type TokenKeeper = ReturnType<typeof createTokenKeeper>

export function createTokenKeeper(onChange: () => void) {
  // Long: one token, and all that asks with it.
  let token = fromAddress() ?? sessionStorage.getItem(KEY) ?? undefined
  let again: ReturnType<typeof setTimeout> | undefined
  let permission: Permission = token === undefined ? 'no token' : 'unknown'

  function set(next: Permission): void {
    if (permission === next) return
    permission = next
    onChange()
  }

  /** Rejects with a sentence when the server does not prove that it is the one. */
  async function authorization(): Promise<string> {
    if (token === undefined || !(await isKnown(token))) {
      set(token === undefined ? 'no token' : 'old token')
      throw new Error('The server does not know the token of this page. Nothing was done.')
    }
    return `Bearer ${token}`
  }

  /** What the server said against it, as a sentence. */
  function refusal(status: number, text: string): Error {
    if (status === 401) set('old token')
    try {
      const { error } = JSON.parse(text) as { error: { message: string } }
      return new Error(error.message)
    } catch {
      return new Error(`The server answered with ${status}. Nothing was done.`)
    }
  }

  /** With a body it changes something. What the server refuses comes back as a sentence. */
  async function ask<T>(path: string, body?: object, withinMs?: number): Promise<T> {
    const headers = { authorization: await authorization(), 'content-type': 'application/json' }
    const init = body === undefined ? { headers } : { method: 'POST', headers, body: JSON.stringify(body) }
    const { status, text } = await answerTo(path, init, withinMs)
    if (status !== 200) throw refusal(status, text)
    return JSON.parse(text) as T
  }

  async function check(): Promise<void> {
    clearTimeout(again)
    if (token === undefined) return set('no token')
    try {
      const headers = { authorization: await authorization() }
      const { status } = await answerTo('/api/token', { method: 'POST', headers })
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
    ask,
    /** Asks the server whether the token is the right one; call whenever a run is met. Never rejects. */
    check,
    authorization,
    refusal,
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
