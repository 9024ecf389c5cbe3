/** `POST /api/rehearsed`: what a rehearsal from this laptop found, for the ledger. */
import type { FastifyInstance, FastifyRequest } from 'fastify'
import Type, { type Static } from 'typebox'
import { type Depot, userName } from '../depot/depot.ts'

/** Differences kept in one entry; a rehearsal that finds more has said enough. */
const MOST_DIFFERENCES = 500

const Text = Type.String({ minLength: 1, maxLength: 4_096 })
const STRICT = { additionalProperties: false }

const RehearsedBody = Type.Object(
  {
    /** Base URL of the address that was rehearsed. */
    base: Text,
    by: Type.Optional(Type.String({ minLength: 1, maxLength: 256, pattern: '\\S' })),
    checks: Type.Integer({ minimum: 0 }),
    differences: Type.Array(Type.Object({ url: Text, check: Text, found: Text }, STRICT), {
      maxItems: MOST_DIFFERENCES,
    }),
  },
  STRICT,
)

export function addRehearsed(
  app: FastifyInstance,
  { ledger }: Depot,
  checkToken: (request: FastifyRequest) => void,
): void {
  app.post<{ Body: Static<typeof RehearsedBody> }>(
    '/api/rehearsed',
    { onRequest: async (request) => checkToken(request), schema: { body: RehearsedBody } },
    async ({ body }) => {
      const { base, by = userName(), checks, differences } = body
      const { seq } = ledger.append({ kind: 'rehearsed', base, by, checks, differences })
      await ledger.synced()
      return { rehearsed: base, seq }
    },
  )
}
