/** A wrong image in words, for terminal and page: who, what it got, what is planned, and what a hand can do now. */

interface WrongImage {
  /** `It` in a row of its own. */
  readonly device: string
  readonly image: string
  /** The images of its rows, in order. */
  readonly planned: readonly string[]
}

/** While it is under way: the moment to stop it. */
export function wrongImageUnderWay(wrong: WrongImage & { readonly address: string }): string {
  return `${wrong.device} (${wrong.address}) pulls ${wrong.image}; ${plannedWords(wrong)} Stop it there before it writes.`
}

/** Once it is over. */
export function wrongImageFetched(wrong: WrongImage): string {
  return `${wrong.device} fetched ${wrong.image}; ${plannedWords(wrong)}`
}

export const WRONG_IMAGE_ADVICE = 'Look at the device before it restarts.'

function plannedWords({ planned }: WrongImage): string {
  return `planned is ${planned.length === 0 ? 'none' : planned.join(', then ')}.`
}
