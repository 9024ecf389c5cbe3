/** How this door is rehearsed: each image as a device would fetch it, and the list of checksums. */
import { Agent, type Dispatcher, request } from 'undici'
import { LIST_PATH, type Rehearser } from '../depot/door.ts'
import { FetchproofError } from '../errors.ts'
import { CHECKSUM_TEXT_BYTES } from '../trust/digests/stated-digests.ts'
import { REHEARSAL_HEADER } from './image-port.ts'
import { networkFaultWords, type Way } from './rehearsal-asking.ts'
import { checkTarget } from './rehearsal-checks.ts'

const CONNECT_MS = 10_000
const QUIET_MS = 30_000

export function createHttpRehearser(code: string | undefined): Rehearser {
  const dispatcher = new Agent({
    connect: { timeout: CONNECT_MS },
    headersTimeout: QUIET_MS,
    bodyTimeout: QUIET_MS,
  })
  return rehearserBy({ dispatcher, code })
}

export function rehearserBy(way: Way): Rehearser {
  return {
    check: (target, onBytes) => checkTarget(target, way, onBytes),
    list: (base) => fetchList(base, way),
    close: () => way.dispatcher.destroy(),
  }
}

async function fetchList(base: string, { dispatcher, code }: Way): Promise<Buffer> {
  const url = base + LIST_PATH
  const pieces: Buffer[] = []
  let bytes = 0
  let response: Dispatcher.ResponseData
  try {
    response = await request(url, {
      headers: { [REHEARSAL_HEADER]: code ?? 'yes' },
      dispatcher,
      reset: true,
    })
    response.body.on('error', () => undefined)
    for await (const piece of response.statusCode === 200 ? response.body : []) {
      pieces.push(piece as Buffer)
      bytes += (piece as Buffer).length
      if (bytes > CHECKSUM_TEXT_BYTES) break
    }
    response.body.destroy()
  } catch (error) {
    throw new FetchproofError(
      'FP_BASE_UNREACHABLE',
      { base, cause: networkFaultWords(error) },
      { cause: error },
    )
  }
  const { statusCode, headers } = response
  if (statusCode !== 200)
    throw new FetchproofError('FP_LIST_NOT_OFFERED', { url, answer: `status ${statusCode}` })
  // What follows would stand on record as the pulls of a device.
  const believed = code === undefined || headers[REHEARSAL_HEADER] !== undefined
  if (!believed) throw new FetchproofError('FP_REHEARSAL_CODE', { base })
  return Buffer.concat(pieces)
}
