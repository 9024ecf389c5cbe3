/** Schemas of what the API takes. An unknown key is an error, so that a mistyped one is not quietly dropped. */
import Type, { type Static, type TSchema } from 'typebox'

/** A person's sentence or a device's output. */
const Sentence = Type.String({ minLength: 1, maxLength: 4_096, pattern: '\\S' })
const Text = Type.String({ minLength: 1, maxLength: 4_096 })
const Pasted = Type.String({ minLength: 1, maxLength: 262_144, pattern: '\\S' })
/** Who did it; the user who is logged in where it is left out. */
const By = Type.Optional(Type.String({ minLength: 1, maxLength: 256, pattern: '\\S' }))
/** Differences kept in one entry; a rehearsal that finds more has said enough. */
const MOST_DIFFERENCES = 500
const STRICT = { additionalProperties: false }

export const NoQuery = Type.Object({}, STRICT)
/** Enough that nobody has an answer to it ready. */
export const ProofQuery = Type.Object({ nonce: Type.String({ pattern: '^[\\w-]{22,128}$' }) }, STRICT)
export const NoBody = Type.Object({}, STRICT)
export const ReportQuery = Type.Object(
  { format: Type.Union([Type.Literal('html'), Type.Literal('csv')]) },
  STRICT,
)

export const DecisionBody = Type.Object({ name: Text, reason: Sentence, by: By }, STRICT)
export const StrikeBody = Type.Object({ seq: Type.Integer({ minimum: 1 }), reason: Sentence, by: By }, STRICT)
export const ReadyNowBody = Type.Object({ name: Text }, STRICT)
/** `text`: what the maker publishes, a digest or lines that hold one. */
export const PublishedBody = Type.Object({ name: Text, text: Pasted, by: By }, STRICT)
const Device = Type.String({ minLength: 1, maxLength: 256, pattern: '\\S' })
/** `text`: what a device printed; `device`: which one, to be held against its plan. */
export const MatchBody = Type.Object({ text: Pasted, device: Type.Optional(Device) }, STRICT)
export const VersionBody = Type.Object({ text: Pasted }, STRICT)

export const ObservedBody = Type.Object(
  {
    device: Device,
    by: By,
    before: Type.Optional(Sentence),
    after: Type.Optional(Sentence),
    note: Type.Optional(Sentence),
    digest: Type.Optional(
      Type.Object(
        {
          algorithm: Type.String({ minLength: 1, maxLength: 16 }),
          value: Type.String({ pattern: '^[0-9a-f]{8,128}$' }),
          /** The image that it is the digest of, by name. */
          image: Type.Optional(Text),
        },
        STRICT,
      ),
    ),
  },
  STRICT,
)

export const RehearsedBody = Type.Object(
  {
    /** Base URL of the address that was rehearsed. */
    base: Text,
    by: By,
    checks: Type.Integer({ minimum: 0 }),
    differences: Type.Array(Type.Object({ url: Text, check: Text, found: Text }, STRICT), {
      maxItems: MOST_DIFFERENCES,
    }),
  },
  STRICT,
)

/** `replace=yes` only after the person was asked. */
export const DropQuery = Type.Object(
  {
    name: Text,
    replace: Type.Optional(Type.Literal('yes')),
  },
  STRICT,
)

export type DropRequest = Static<typeof DropQuery>

/** Adds `POST path`, which takes such a body with the token and answers with what `act` gives. */
export type Change = <S extends TSchema>(path: string, body: S, act: (body: Static<S>) => unknown) => void
