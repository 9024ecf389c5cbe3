/** Parts of what the API takes. An unknown key is an error, so that a mistyped one is not quietly dropped. */
import Type, { type Static, type TProperties, type TSchema } from 'typebox'

export const strict = <T extends TProperties>(members: T) =>
  Type.Object(members, { additionalProperties: false })
export const Nothing = strict({})

/** Something to read in it, not blanks alone. */
const said = (maxLength: number) => Type.String({ minLength: 1, maxLength, pattern: '\\S' })
export const Text = Type.String({ minLength: 1, maxLength: 4_096 })
/** A person's. */
export const Sentence = said(4_096)
/** A device's output, or what a maker publishes. */
export const PastedText = said(262_144)
export const Device = said(256)
/** Who did it; the user who is logged in where it is left out. */
export const By = Type.Optional(said(256))

/** Adds `POST path`, which takes such a body and answers with what `act` gives. */
export type Post = <S extends TSchema>(path: string, body: S, act: (body: Static<S>) => unknown) => void
