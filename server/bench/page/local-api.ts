/** Asking the server to do something. What it refuses comes back as a sentence. */
import { AskError, answerTo } from './answers.ts'
import type { TokenKeeper } from './token.ts'

/** `withinMs`: for what may have to read whole images first. */
export type Ask = <T>(path: string, body: object, withinMs?: number) => Promise<T>

/** A large image is read once for each algorithm of a digest. */
export const READING_MS = 180_000

export function createAsk(tokens: TokenKeeper): Ask {
  return async <T>(path: string, body: object, withinMs?: number): Promise<T> => {
    const init = {
      method: 'POST',
      headers: { 'content-type': 'application/json', ...(await tokens.headers()) },
      body: JSON.stringify(body),
    }
    const { status, text } = await answerTo(path, init, withinMs)
    if (status !== 200) throw apiError(status, text, tokens)
    return JSON.parse(text) as T
  }
}

export function apiError(status: number, text: string, tokens: TokenKeeper): AskError {
  if (status === 401) tokens.refused()
  try {
    const { error } = JSON.parse(text) as { error: { code: string; message: string } }
    return new AskError(error.code, error.message)
  } catch {
    return new AskError('', `The server answered with ${status}. Nothing was done.`)
  }
}
