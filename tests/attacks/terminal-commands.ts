/** What a terminal would obey, or what would turn a line around, in text that a person is shown. */

/** Code points of ECMA-48 C0 and C1, and of the bidirectional controls (UAX #9); line ends apart. */
export function commandsIn(text: string): number[] {
  const codes = [...text].map((character) => character.codePointAt(0) ?? 0)
  return codes.filter(
    (code) =>
      (code < 0x20 && code !== 0x0a) ||
      (code >= 0x7f && code <= 0x9f) ||
      (code >= 0x2028 && code <= 0x202e) ||
      (code >= 0x2066 && code <= 0x2069),
  )
}
