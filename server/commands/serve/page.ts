/** Opens the local API, and the bench page with it, on loopback. */
import type { AddressInfo } from 'node:net'
import { fileURLToPath } from 'node:url'
import { createBenchApp } from '../../bench/app.ts'
import type { Depot } from '../../depot/depot.ts'
import { FetchproofError, systemCode } from '../../errors.ts'
import type { Settings } from '../../settings.ts'
import { pageAddress, takePageToken } from '../page-token.ts'

export async function openPage(
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
  try {
    await app.listen({ host: '127.0.0.1', port: settings.pagePort })
  } catch (error) {
    if (systemCode(error) !== 'EADDRINUSE') {
      const cause = systemCode(error) ?? String(error)
      throw new FetchproofError(
        'FP_LISTEN_FAILED',
        { address: '127.0.0.1', port: settings.pagePort, cause },
        { cause: error },
      )
    }
    await app.listen({ host: '127.0.0.1', port: 0 })
    remarks.push(`Port ${settings.pagePort} is taken: the bench page is on another one.`)
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
