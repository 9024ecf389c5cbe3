/**
 * What the engineer sees and the command line talks to: the API under `/api/`, its event stream, and the bench
 * page's files. Loopback only: whoever listens with it listens on 127.0.0.1. Building is apart from listening.
 *
 *   GET  /api/snapshot    all that the page shows
 *   GET  /api/stream      the same as server-sent events, then the members that change
 *   GET  /api/images      `{ "images": [ … ], "notOffered": [ … ], "unused": [ … ] }`
 *   GET  /api/drop        what would become of a dropped file of this name
 *   GET  /api/proof       that this server knows the token, before it is told it
 *   POST /api/token       204 when the token is the right one
 *   POST /api/match       which image a device's output names; changes nothing
 *   POST /api/version     the version in a device's output, as it would be recorded; changes nothing
 *   GET  /api/report      the record of the visit as it stands, as a file (`format=html`, `csv`)
 *   POST /api/hold, /api/lift, /api/strike, /api/ready-now, /api/published, /api/observed, /api/rehearsed, /api/sheet;  PUT /api/drop      changes
 */
import fastifyStatic from '@fastify/static'
import Fastify, { type FastifyError, type FastifyInstance, type FastifyRequest } from 'fastify'
import Type, { type Static } from 'typebox'
import { FetchproofError } from '../errors.ts'
import { imageView } from '../report/image-view.ts'
import { versionToRecord } from '../visit/version-finding.ts'
import { addChanges } from './changes.ts'
import { createDrops, type DropOptions } from './drop.ts'
import { STATUS_OF_ERROR } from './error-status.ts'
import { createFeed } from './feed.ts'
import { checkHost, checkOrigin, createTokenCheck, SAFETY_HEADERS } from './request-guard.ts'
import { Device, Nothing, PastedText, type Post, strict, Text } from './requests.ts'
import { addSaving } from './saving.ts'
import { createSnapshots, type SnapshotSources } from './snapshot.ts'
import { addStream } from './stream.ts'
import { proofOf } from './token-proof.ts'

export interface BenchOptions extends SnapshotSources {
  /** A change needs it. */
  readonly token: string
  /** The built page; absent: the API alone. */
  readonly pageFolder?: string | undefined
  /** A fault that should not be, for the program's own log. */
  readonly onFault?: (error: unknown) => void
  readonly roomIn?: DropOptions['roomIn']
  readonly heartbeatMs?: number
}

/** Resolves with an app that is ready and does not listen. */
export async function createBenchApp(options: BenchOptions): Promise<FastifyInstance> {
  const { depot, onFault = () => undefined } = options
  const app = Fastify({
    logger: false,
    forceCloseConnections: true,
    ajv: { customOptions: { removeAdditional: false, coerceTypes: false, useDefaults: false } },
  })
  const checkToken = createTokenCheck(options.token)
  // Before the body is read: nobody without the token makes us take one in.
  const onRequest = async (request: FastifyRequest): Promise<void> => checkToken(request)
  const posts =
    (hooks: { onRequest?: typeof onRequest }): Post =>
    (path, body, act) =>
      app.post(path, { ...hooks, schema: { body } }, (request) => act(request.body as Static<typeof body>))
  const change = posts({ onRequest })

  app.addHook('onRequest', async (request, reply) => {
    reply.headers(SAFETY_HEADERS)
    reply.header('cache-control', 'no-store')
    checkHost(request)
    // By the route, since a path can be spelt in many ways; what has none is treated as the API.
    if (request.routeOptions.url?.startsWith('/api/') !== false) checkOrigin(request)
  })
  app.setErrorHandler((error: FastifyError, _request, reply) => {
    const coded = asCoded(error)
    const status = coded === undefined ? 500 : (STATUS_OF_ERROR[coded.code] ?? 500)
    if (status === 500) onFault(error)
    if (status === 401) reply.header('www-authenticate', 'Bearer')
    const body = coded ?? {
      code: 'FP_FAULT',
      message: 'Something went wrong in the server; its log says what.',
    }
    return reply.code(status).send({ error: { code: body.code, message: body.message } })
  })
  app.setNotFoundHandler((_request, reply) =>
    reply.code(404).send({ error: { code: 'FP_PAGE_REQUEST', message: 'There is nothing here.' } }),
  )

  const feed = createFeed(depot, createSnapshots(options))
  app.addHook('onClose', async () => feed.close())
  addStream(app, { feed, heartbeatMs: options.heartbeatMs })
  addReading(app, posts({}), options, feed.whole)
  // Whether the token is the right one: a page that outlived a server asks.
  app.post('/api/token', { onRequest }, (_request, reply) => reply.code(204).send())
  addChanges(change, depot)
  addSaving(app, change, depot)
  addDrops(app, options, onRequest)
  if (options.pageFolder !== undefined) {
    await app.register(fastifyStatic, { root: options.pageFolder, cacheControl: false, dotfiles: 'deny' })
  }
  await app.ready()
  return app
}

/** Enough that nobody has an answer to it ready. */
const ProofQuery = strict({ nonce: Type.String({ pattern: '^[\\w-]{22,128}$' }) })

function addReading(
  app: FastifyInstance,
  ask: Post,
  { depot, token }: BenchOptions,
  whole: () => string,
): void {
  app.get('/api/snapshot', { schema: { querystring: Nothing } }, (_request, reply) =>
    reply.type('application/json; charset=utf-8').send(whole()),
  )
  app.get('/api/images', { schema: { querystring: Nothing } }, () => {
    const bases = depot.bases()
    const { catalogue } = depot
    return {
      images: catalogue.images().map((image) => imageView(image, bases)),
      notOffered: catalogue.notOffered(),
      unused: depot.unused(),
    }
  })
  ask('/api/version', strict({ text: PastedText }), ({ text }) => ({
    version: versionToRecord(text) ?? null,
  }))
  // With a device, what it printed is held against its plan.
  ask('/api/match', strict({ text: PastedText, device: Type.Optional(Device) }), ({ text, device }) =>
    depot.match(text, device?.trim()),
  )
  app.get<{ Querystring: Static<typeof ProofQuery> }>(
    '/api/proof',
    { schema: { querystring: ProofQuery } },
    ({ query, socket }) => ({ proof: proofOf(token, socket.localPort ?? 0, query.nonce) }),
  )
}

/** `replace=yes` only after the person was asked. */
const DropQuery = strict({ name: Text, replace: Type.Optional(Type.Literal('yes')) })
type DropRequest = Static<typeof DropQuery>

function addDrops(
  app: FastifyInstance,
  { depot, roomIn }: BenchOptions,
  onRequest: (request: FastifyRequest) => Promise<void>,
): void {
  const { folder, records } = depot.settings
  const drops = createDrops({ folder, records, roomIn })
  app.addHook('preClose', async () => drops.close())
  app.get<{ Querystring: DropRequest }>('/api/drop', { schema: { querystring: DropQuery } }, ({ query }) =>
    drops.target(query.name),
  )
  app.register((streaming, _options, done) => {
    // The body stays a stream: an image may be larger than memory.
    streaming.removeAllContentTypeParsers()
    streaming.addContentTypeParser('*', (_request, payload, taken) => taken(null, payload))
    streaming.put<{ Querystring: DropRequest }>(
      '/api/drop',
      { onRequest, schema: { querystring: DropQuery } },
      async (request, reply) => {
        const { name, replace } = request.query
        const length = request.headers['content-length']
        const announced = length === undefined ? undefined : Number(length)
        try {
          const dropped = await drops.take(name, request.raw, { announced, replace: replace === 'yes' })
          await depot.catalogue.rescan()
          // Its bytes were counted as they came: there is nothing to wait for.
          if (depot.catalogue.get(dropped.name) !== undefined) depot.catalogue.readyNow(dropped.name)
          return dropped
        } catch (error) {
          // What still comes is read and thrown away, so that the browser sees the answer and no broken pipe.
          request.raw.resume()
          reply.header('connection', 'close')
          throw error
        }
      },
    )
    done()
  })
}

/** Fastify's own errors say what is wrong with a request; they get our code. */
function asCoded(error: FastifyError): FetchproofError | undefined {
  if (error instanceof FetchproofError) return error
  const status = error.statusCode ?? 500
  if (status >= 500) return undefined
  const unknownKey = error.validation?.[0]?.params.additionalProperty
  const why = unknownKey === undefined ? error.message : `it has an unknown key ${String(unknownKey)}`
  return new FetchproofError('FP_PAGE_REQUEST', { why }, { cause: error })
}
