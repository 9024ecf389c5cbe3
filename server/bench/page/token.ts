/**
 * The run's token. It comes in the address that the server printed, leaves the address bar at once, and stays in
 * this tab alone. A token of an earlier run is noticed, and the page is read-only until it gets the new one.
 */
export type Permission = 'unknown' | 'may change' | 'no token' | 'old token'

const CHECK_WITHIN_MS = 10_000
const KEY = 'fetchproof-token'

export interface TokenKeeper {
  readonly token: string | undefined
  permission(): Permission
  /** Asks the server whether the token is that of its run; call whenever a run is met. */
  check(): Promise<void>
  /** The server said that the token is not that of its run. */
  refused(): void
}

export function createTokenKeeper(onChange: () => void): TokenKeeper {
  let token = fromAddress() ?? sessionStorage.getItem(KEY) ?? undefined
  let permission: Permission = token === undefined ? 'no token' : 'unknown'

  function set(next: Permission): void {
    if (permission === next) return
    permission = next
    onChange()
  }

  async function check(): Promise<void> {
    if (token === undefined) return set('no token')
    const response = await fetch('/api/token', {
      method: 'POST',
      headers: bearer(token),
      signal: AbortSignal.timeout(CHECK_WITHIN_MS),
    }).catch(() => undefined)
    if (response === undefined) return
    if (response.status === 204) set('may change')
    else if (response.status === 401) set('old token')
  }

  // Pasting the new address into this tab changes its fragment alone and loads nothing.
  window.addEventListener('hashchange', () => {
    const given = fromAddress()
    if (given === undefined) return
    token = given
    check().catch(() => undefined)
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
