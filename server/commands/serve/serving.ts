/** Everything that `serve` runs: depot, image port and local API, opened in order and closed in order. */
import type { AddressInfo } from 'node:net'
import { fileURLToPath } from 'node:url'
import { createBenchApp } from '../../bench/app.ts'
import { type Depot, openDepot } from '../../depot/depot.ts'
import { FetchproofError, systemCode } from '../../errors.ts'
import { createImagePort } from '../../image-port/image-port.ts'
import { testLingeringClose } from '../../image-port/self-test.ts'
import type { Entry } from '../../ledger/entries.ts'
import { connectionsThatFit } from '../../network/open-files.ts'
import { openSendQueues } from '../../network/send-queue.ts'
import type { Settings } from '../../settings.ts'
import { pageAddress, takePageToken } from '../page-token.ts'
import { VERSION } from '../version.ts'
import { findIntruders, openImagePort } from './listening.ts'
import { openTftp } from './tftp-listening.ts'

export type Serving = Awaited<ReturnType<typeof startServing>>

/** Connections beyond the fetches: probes, requests on their way, slow senders. */
const SPARE_CONNECTIONS = 256

const SAID_AGAIN_MS = 60_000

/** Says at once, and then for a while not again, what would else be said for each connection. */
function nowAndThen(say: () => void): () => void {
  let saidAt = Number.NEGATIVE_INFINITY
  return () => {
    if (performance.now() - saidAt < SAID_AGAIN_MS) return
    saidAt = performance.now()
    say()
  }
}

/** Throws the coded errors of depot and ports; nothing is left open then. */
export async function startServing(
  settings: Settings,
  onFault: (error: unknown) => void,
  onEntries: (entries: readonly Entry[]) => void = () => undefined,
) {
  // Long: what opens, in order, each with what closes it again.
  const sendQueues = await openSendQueues()
  const depot = await openDepot({ settings, version: VERSION, sendQueues, onEntries })
  const doors: (() => Promise<unknown>)[] = []
  let page: Awaited<ReturnType<typeof openPage>> | undefined
  const onCrowded = nowAndThen(() => depot.say(new FetchproofError('FP_OPEN_FILES').message))

  async function shut(reason: string): Promise<void> {
    depot.admission.stop()
    await page?.close()
    // What is under way is withdrawn first: cut off by a door it would look like the device's doing.
    await depot.close(reason)
    for (const close of doors.toReversed()) await close()
  }

  try {
    const imagePort = createImagePort({
      depot,
      limits: {
        requestMs: settings.requestMs,
        maxConnections: settings.maxFetches + SPARE_CONNECTIONS,
        fit: connectionsThatFit(),
      },
      onFault,
      onCrowded,
    })
    const opened = await openImagePort(imagePort, settings, depot.own())
    doors.push(() => {
      const closed = opened.close()
      imagePort.connections.destroyAll()
      return closed
    })
    const listeningOn = (): void => depot.listeningOn([...opened.listening, ...(tftp?.listening() ?? [])])
    const tftp = settings.tftp
      ? await openTftp({ depot, settings, onFault, onCrowded, onChanged: listeningOn })
      : undefined
    doors.push(async () => tftp?.close())
    listeningOn()
    const intruders = await findIntruders(imagePort, opened.listening, depot.own())
    const unfit = await testLingeringClose()
    page = await openPage(depot, settings)
    await depot.ledger.announce({ pagePort: page.port })
    return {
      depot,
      /** Address of the bench page with the run's token, or undefined with --no-page. */
      pageAddress: page.address,
      /** Sentences about what could not be had at start. */
      remarks: [
        ...opened.remarks,
        ...(tftp?.remarks ?? []),
        ...page.remarks,
        ...intruders,
        ...(sendQueues.whyNot === undefined ? [] : [notShown(sendQueues.whyNot)]),
        ...(unfit === undefined
          ? []
          : [`With this Node.js (${process.version}) endings are less certain than usual: ${unfit}.`]),
      ],
      /** New requests get 503 from now on; resolves when nothing is under way any more. */
      async windDown(): Promise<void> {
        depot.admission.stop()
        while (depot.delivery.underWay.list().length > 0) {
          await new Promise<void>((ended) => depot.delivery.underWay.onceChanged(ended))
        }
      },
      /** Cuts what is under way and closes everything. */
      close: shut,
    }
  } catch (error) {
    await shut('could not start')
    throw error
  }
}

function notShown(why: string): string {
  return `This system does not show what a device has acknowledged (${why}): pulls are judged by how the device closes alone, as on systems that never show it.`
}

/** The local API, and the bench page with it, on loopback. */
async function openPage(
  depot: Depot,
  settings: Pick<Settings, 'page' | 'pagePort' | 'records' | 'newToken'>,
) {
  const remarks: string[] = []
  const { secret: token, whyNotKept } = takePageToken(settings.records, settings.newToken)
  if (whyNotKept !== undefined) {
    remarks.push(
      `The token of the bench page could not be kept for your user (${whyNotKept}): it is that of this run alone, and other commands cannot reach this server.`,
    )
  }
  const pageFolder = settings.page ? fileURLToPath(new URL('../../bench/page/', import.meta.url)) : undefined
  const app = await createBenchApp({ depot, token, pageFolder })
  // accept(2) failed: the page's reader tries again. Without a listener it would end the program.
  app.server.on('error', () => undefined)
  const at = { address: '127.0.0.1', port: settings.pagePort }
  try {
    await app.listen({ host: at.address, port: at.port })
  } catch (error) {
    const cause = systemCode(error) ?? String(error)
    if (cause !== 'EADDRINUSE')
      throw new FetchproofError('FP_LISTEN_FAILED', { ...at, cause }, { cause: error })
    await app.listen({ host: at.address, port: 0 })
    remarks.push(`Port ${at.port} is taken: the bench page is on another one.`)
  }
  const { port } = app.server.address() as AddressInfo
  return {
    port,
    /** With the run's token; undefined with --no-page. */
    address: settings.page ? pageAddress(port, token) : undefined,
    remarks,
    close: (): Promise<void> => app.close(),
  }
}
