/** Asking the server to do something. What it refuses comes back as a sentence. */
import { bearer, type TokenKeeper } from './token.ts'

export class AskError extends Error {
  readonly code: string

  constructor(code: string, message: string) {
    super(message)
    this.name = 'AskError'
    this.code = code
  }
}

/** Matching may read images for a digest that is not known yet. */
const ANSWER_WITHIN_MS = 120_000
const LATE =
  'The server has not answered for two minutes. Look at its window; whether anything was done, the page will show.'

export type Ask = <T>(path: string, body: object) => Promise<T>

export function createAsk(tokens: TokenKeeper): Ask {
  return async <T>(path: string, body: object): Promise<T> => {
    let response: Response
    try {
      response = await fetch(path, {
        method: 'POST',
        headers: { 'content-type': 'application/json', ...bearer(tokens.token ?? '') },
        body: JSON.stringify(body),
        signal: AbortSignal.timeout(ANSWER_WITHIN_MS),
      })
    } catch (error) {
      const late = error instanceof DOMException && error.name === 'TimeoutError'
      throw new AskError('', late ? LATE : 'The server does not answer. Nothing was done.')
    }
    if (!response.ok) throw refusalOf(response.status, await response.text(), tokens)
    return (await response.json()) as T
  }
}

export function refusalOf(status: number, text: string, tokens: TokenKeeper): AskError {
  if (status === 401) tokens.refused()
  try {
    const { error } = JSON.parse(text) as { error: { code: string; message: string } }
    return new AskError(error.code, error.message)
  } catch {
    return new AskError('', `The server answered with ${status}. Nothing was done.`)
  }
}
