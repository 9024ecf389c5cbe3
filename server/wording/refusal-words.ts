/** Why a request was refused and what a person can do about it, in whole sentences. */

/** `hint`: what was recorded; ledgers of earlier versions hold a flag or half a sentence there. */
export function hintSentence(hint: string): string {
  return hint.startsWith('--') ? `To admit it, start again with ${hint}.` : sentence(capital(hint))
}

/** To stand after a colon: the reason as it was recorded, then the hint as a sentence. */
export function refusalWords({ reason, hint }: { reason: string | null; hint: string | null }): string {
  const why = sentence(reason ?? 'it was refused')
  return hint === null ? why : `${why} ${hintSentence(hint)}`
}

/** What was answered: a status of HTTP, or one of the nine error codes of TFTP (RFC 1350, RFC 2347). */
export function answerText(status: number): string {
  return status < 100 ? `error ${status}` : String(status)
}

/** With one full stop at its end. */
export function sentence(text: string): string {
  return /[.!?…]$/.test(text) ? text : `${text}.`
}

/** A first word of letters alone: names of files and flags stay as they are. */
export function capital(text: string): string {
  return /^[a-z]+ /.test(text) ? text.slice(0, 1).toUpperCase() + text.slice(1) : text
}
