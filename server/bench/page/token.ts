/**
 * The run's token. It comes in the address that the server printed, leaves the address bar at once, and stays in
 * this tab alone. A token of an earlier run is noticed, and the page is read-only until it gets the new one.
 */
import { answerTo } from './answers.ts'

/** `not said`: the server was asked and gave no answer; it is asked again. */
export type Permission = 'unknown' | 'may change' | 'no token' | 'old token' | 'not said'

const KEY = 'fetchproof-token'
const AGAIN_MS = 5_000

export interface TokenKeeper {
  readonly token: string | undefined
  permission(): Permission
  /** Asks the server whether the token is that of its run; call whenever a run is met. Never rejects. */
  check(): Promise<void>
  /** The server said that the token is not that of its run. */
  refused(): void
}

export function createTokenKeeper(onChange: () => void): TokenKeeper {
  let token = fromAddress() ?? sessionStorage.getItem(KEY) ?? undefined
  let again: ReturnType<typeof setTimeout> | undefined
  let permission: Permission = token === undefined ? 'no token' : 'unknown'

  function set(next: Permission): void {
    if (permission === next) return
    permission = next
    onChange()
  }

  async function check(): Promise<void> {
    clearTimeout(again)
    if (token === undefined) return set('no token')
    const asked = { method: 'POST', headers: bearer(token) }
    const status = await answerTo('/api/token', asked).then(
      (answer) => answer.status,
      () => 0,
    )
    if (status === 204) return set('may change')
    if (status === 401) return set('old token')
    set('not said')
    again = setTimeout(() => void check(), AGAIN_MS)
  }

  // Pasting the new address into this tab changes its fragment alone and loads nothing.
  window.addEventListener('hashchange', () => {
    const given = fromAddress()
    if (given === undefined) return
    token = given
    void check()
  })

  return {
    get token() {
      return token
    },
    permission: () => permission,
    check,
    refused: () => set('old token'),
  }
}

export function bearer(token: string): Record<string, string> {
  return { authorization: `Bearer ${token}` }
}

function fromAddress(): string | undefined {
  const given = /^#token=([\w-]+)$/.exec(location.hash)?.[1]
  if (given === undefined) return undefined
  sessionStorage.setItem(KEY, given)
  history.replaceState(null, '', location.pathname)
  return given
}
