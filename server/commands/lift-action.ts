/** `fetchproof lift`: a person lets a held image be served, and says why. Recorded before it counts. */
import { userName } from '../depot/depot.ts'
import { FetchproofError } from '../errors.ts'
import { checkFolder } from '../files/folder.ts'
import type { ImageView } from '../report/image-view.ts'
import { createSettings, type Settings } from '../settings.ts'
import { createImageHistory } from '../staging/image-history.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import type { LiftFlags } from './lift.ts'
import { imageNamed } from './named-image.ts'
import { type RunningServer, runningServer } from './running-server.ts'
import type { Surroundings } from './surroundings.ts'
import { withCatalogue } from './unserved-folder.ts'
import { withLedger } from './unserved-ledger.ts'

export async function lift(
  image: string,
  { folder, records, ...flags }: LiftFlags,
  around: Surroundings,
): Promise<number> {
  const settings = createSettings({ folder, ...(records !== undefined && { records }) })
  const lifted = await lifting(image, settings, flags, around)
  if (flags.format === 'json') around.stdout.write(`${JSON.stringify(lifted, null, 2)}\n`)
  else for (const line of liftedLines(lifted)) around.stdout.write(`${line}\n`)
  return EXIT.done
}

interface Lifted {
  readonly lifted: string
  readonly sha256: string
  /** Why it was held. */
  readonly was: string
  readonly reason: string
  readonly by: string
  /** The folder is being served, and devices can fetch it now. */
  readonly served: boolean
}

/** Throws FP_USAGE, FP_IMAGE_UNKNOWN, FP_NOT_HELD, and the errors of ledger, folder and running server. */
async function lifting(
  image: string,
  settings: Settings,
  flags: Pick<LiftFlags, 'reason' | 'by'>,
  around: Surroundings,
): Promise<Lifted> {
  const reason = flags.reason.trim()
  const by = (flags.by ?? userName()).trim()
  if (reason === '') {
    const why = '--reason is empty. Say why the image may be served: it stands in the ledger for good.'
    throw new FetchproofError('FP_USAGE', { why })
  }
  const server = await runningServer(settings.records)
  return server === undefined
    ? liftHere(image, settings, { reason, by }, around)
    : liftThere(server, image, settings, { reason, by })
}

async function liftThere(
  server: RunningServer,
  image: string,
  { folder }: Settings,
  { reason, by }: { reason: string; by: string },
): Promise<Lifted> {
  const { images } = (await server.ask('GET', '/api/images')) as { images: readonly ImageView[] }
  const view = imageNamed(images, image, folder)
  const held = heldOf(view)
  await server.ask('POST', '/api/lift', { name: view.name, reason, by })
  return { lifted: view.name, ...held, reason, by, served: true }
}

/** The lock first, so that nobody begins to serve the folder between looking and recording. */
async function liftHere(
  image: string,
  settings: Settings,
  { reason, by }: { reason: string; by: string },
  around: Surroundings,
): Promise<Lifted> {
  await checkFolder(settings.folder)
  const history = createImageHistory()
  return withLedger(
    settings.records,
    async (ledger) => {
      const { name, ...held } = await withCatalogue(
        settings,
        around,
        (catalogue) => {
          const found = imageNamed(catalogue.images(), image, settings.folder)
          const { state } = found
          const sha256 = found.version?.sha256 ?? null
          return {
            name: found.name,
            ...heldOf({ name: found.name, state, sha256, reason: found.reason ?? null }),
          }
        },
        history,
      )
      ledger.append({ kind: 'lifted', name, sha256: held.sha256, reason, by })
      return { lifted: name, ...held, reason, by, served: false }
    },
    history.take,
  )
}

/** Throws FP_NOT_HELD. */
function heldOf({ name, state, sha256, reason }: Pick<ImageView, 'name' | 'state' | 'sha256' | 'reason'>): {
  sha256: string
  was: string
} {
  if (state !== 'held' || sha256 === null) throw new FetchproofError('FP_NOT_HELD', { image: name, state })
  return { sha256, was: reason ?? 'no reason given' }
}

function liftedLines({ lifted, sha256, was, reason, by, served }: Lifted): string[] {
  return [
    `${visible(lifted)}: the hold is lifted by ${visible(by)} (${visible(reason)}).`,
    `It was held: ${visible(was)}`,
    `The lift is for these bytes alone (SHA-256 ${sha256}): a changed file needs a new one.`,
    served ? 'Devices can fetch it now.' : 'It will be offered when the folder is served.',
  ]
}
