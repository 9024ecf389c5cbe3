/** How this door is rehearsed: each image as a device would fetch it, and the list of checksums. */
import { Agent } from 'undici'
import { LIST_PATH, type Rehearser } from '../depot/door.ts'
import { FetchproofError } from '../errors.ts'
import { CHECKSUM_TEXT_BYTES } from '../trust/digests/stated-digests.ts'
import { REHEARSAL_HEADER } from './head.ts'
import { createAsker, type Way } from './rehearsal-asking.ts'
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

async function fetchList(base: string, way: Way): Promise<Buffer> {
  const url = base + LIST_PATH
  const pieces: Buffer[] = []
  const ask = createAsker(url, way, (piece) => pieces.push(piece))
  const answer = await ask('GET', {}, { only: { status: 200, bytes: CHECKSUM_TEXT_BYTES } })
  const unreachable = (cause: string) => new FetchproofError('FP_BASE_UNREACHABLE', { base, cause })
  if ('failed' in answer) throw unreachable(answer.failed)
  if (answer.broke !== undefined) throw unreachable(answer.broke)
  if (answer.status !== 200)
    throw new FetchproofError('FP_LIST_NOT_OFFERED', { url, answer: `status ${answer.status}` })
  // What follows would stand on record as the pulls of a device.
  const believed = way.code === undefined || answer.headers[REHEARSAL_HEADER] !== undefined
  if (!believed) throw new FetchproofError('FP_REHEARSAL_CODE', { base })
  return Buffer.concat(pieces)
}
