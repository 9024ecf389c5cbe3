/** What ends a format check before its end: damage, something that cannot be checked, or the budget. */

/** The bytes break a rule of their format. `atByte` is where, from 0. */
export class Damage extends Error {
  readonly atByte: number

  constructor(what: string, atByte: number) {
    super(what)
    this.name = 'Damage'
    this.atByte = atByte
  }
}

/** Nothing is known to be wrong, but the check cannot go on; the message says why. */
export class Uncheckable extends Error {
  constructor(why: string) {
    super(why)
    this.name = 'Uncheckable'
  }
}
