/** One request and its whole answer, in time: a server that was stopped keeps connections open and says nothing. */

export class AskError extends Error {
  readonly code: string

  constructor(code: string, message: string) {
    super(message)
    this.name = 'AskError'
    this.code = code
  }
}

interface Answer {
  readonly status: number
  readonly text: string
}

/** What is written into the ledger is synced first: a slow disk takes seconds. */
const ANSWER_MS = 15_000

/** Throws an AskError with a sentence when no answer came, or not within so many ms. */
export async function answerTo(path: string, init: RequestInit = {}, withinMs = ANSWER_MS): Promise<Answer> {
  try {
    const response = await fetch(path, { ...init, signal: AbortSignal.timeout(withinMs) })
    return { status: response.status, text: await response.text() }
  } catch (error) {
    if (error instanceof DOMException && error.name === 'TimeoutError') {
      throw new AskError(
        '',
        `The server did not answer within ${withinMs / 1000} s. Whether it was done is not known: look at the page, and at the server’s window, before you try again.`,
      )
    }
    throw new AskError('', 'The server does not answer. Nothing was done.')
  }
}
