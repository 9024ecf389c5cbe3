/** One request and its whole answer, in time: a server that was stopped keeps connections open and says nothing. */

/** What is written into the ledger is synced first: a slow disk takes seconds. */
const ANSWER_MS = 15_000
/** For what may have to read whole images first: a large one is read once for each algorithm of a digest. */
export const READING_MS = 180_000

/** Rejects with a sentence when no answer came, or not within so many ms. */
export async function answerTo(path: string, init: RequestInit = {}, withinMs = ANSWER_MS) {
  try {
    const response = await fetch(path, { ...init, signal: AbortSignal.timeout(withinMs) })
    return { status: response.status, text: await response.text() }
  } catch (error) {
    const isLate = error instanceof DOMException && error.name === 'TimeoutError'
    throw new Error(
      isLate
        ? `The server did not answer within ${withinMs / 1000} s. Whether it was done is not known: look at the page, and at the server’s window, before you try again.`
        : 'The server does not answer. Nothing was done.',
    )
  }
}
