/** Schemas of what the API takes. An unknown key is an error, so that a mistyped one is not quietly dropped. */
import Type, { type Static, type TProperties, type TSchema } from 'typebox'

const strict = <T extends TProperties>(members: T) => Type.Object(members, { additionalProperties: false })
/** Something to read in it, not blanks alone. */
const said = (maxLength: number) => Type.String({ minLength: 1, maxLength, pattern: '\\S' })

/** A person's sentence or a device's output. */
const Sentence = said(4_096)
const Text = Type.String({ minLength: 1, maxLength: 4_096 })
const Pasted = said(262_144)
const Device = said(256)
/** Who did it; the user who is logged in where it is left out. */
const By = Type.Optional(said(256))
/** Differences kept in one entry; a rehearsal that finds more has said enough. */
const MOST_DIFFERENCES = 500

export const Nothing = strict({})
/** Enough that nobody has an answer to it ready. */
export const ProofQuery = strict({ nonce: Type.String({ pattern: '^[\\w-]{22,128}$' }) })
export const ReportQuery = strict({ format: Type.Union([Type.Literal('html'), Type.Literal('csv')]) })

export const DecisionBody = strict({ name: Text, reason: Sentence, by: By })
export const StrikeBody = strict({ seq: Type.Integer({ minimum: 1 }), reason: Sentence, by: By })
export const ReadyNowBody = strict({ name: Text })
/** `text`: what the maker publishes, a digest or lines that hold one. */
export const PublishedBody = strict({ name: Text, text: Pasted, by: By })
/** `text`: what a device printed; `device`: which one, to be held against its plan. */
export const MatchBody = strict({ text: Pasted, device: Type.Optional(Device) })
export const VersionBody = strict({ text: Pasted })

export const ObservedBody = strict({
  device: Device,
  by: By,
  before: Type.Optional(Sentence),
  after: Type.Optional(Sentence),
  note: Type.Optional(Sentence),
  digest: Type.Optional(
    strict({
      algorithm: Type.String({ minLength: 1, maxLength: 16 }),
      value: Type.String({ pattern: '^[0-9a-f]{8,128}$' }),
      /** The image that it is the digest of, by name. */
      image: Type.Optional(Text),
    }),
  ),
})

export const RehearsedBody = strict({
  /** Base URL of the address that was rehearsed. */
  base: Text,
  by: By,
  checks: Type.Integer({ minimum: 0 }),
  differences: Type.Array(strict({ url: Text, check: Text, found: Text }), { maxItems: MOST_DIFFERENCES }),
})

/** `replace=yes` only after the person was asked. */
export const DropQuery = strict({ name: Text, replace: Type.Optional(Type.Literal('yes')) })

export type DropRequest = Static<typeof DropQuery>

/** Adds `POST path`, which takes such a body and answers with what `act` gives. */
export type Change = <S extends TSchema>(path: string, body: S, act: (body: Static<S>) => unknown) => void
