/** How this door is rehearsed: each image as a device would fetch it, and the list of checksums. */
import { createHash } from 'node:crypto'
import { type Checked, LIST_PATH, type Rehearser, type Target } from '../depot/door.ts'
import { FetchproofError } from '../errors.ts'
import { CHECKSUM_TEXT_BYTES } from '../trust/digests/stated-digests.ts'
import { type ReadAnswer, readByTftp } from './client.ts'
import { REHEARSAL_OPTION } from './options.ts'
import { USUAL_PORT } from './packets.ts'

type Read = (base: string, path: string, onBytes: (piece: Uint8Array) => void) => Promise<ReadAnswer>

export function createTftpRehearser(code: string | undefined): Rehearser {
  // As a large boot loader asks: what fits an Ethernet frame, several at once, and how much it will be.
  const options = [
    { name: 'blksize', value: '1468' },
    { name: 'windowsize', value: '16' },
    { name: 'tsize', value: '0' },
    { name: REHEARSAL_OPTION, value: code ?? 'yes' },
  ]

  const read: Read = (base, path, onBytes) => {
    const url = new URL(base)
    const host = url.hostname.replace(/^\[|\]$/g, '')
    const port = Number(url.port || USUAL_PORT)
    return readByTftp({ host, port, name: path, options, onBytes })
  }

  async function check(target: Target, onBytes: (bytes: number) => void = () => undefined): Promise<Checked> {
    const whole = createHash('sha256')
    let bytes = 0
    const answer = await read(target.base, target.path, (piece) => {
      bytes += piece.byteLength
      whole.update(piece)
      onBytes(piece.byteLength)
    })
    const found: (readonly [check: string, fault: string | undefined])[] = [
      ['answer', answerFault(answer, bytes)],
    ]
    if (answer.kind === 'whole') {
      found.push(['tsize', lengthFault(answer, target.bytes ?? bytes)])
      const sha256 = whole.digest('hex')
      found.push(['digest', sha256 === target.sha256 ? undefined : `${bytes} bytes with SHA-256 ${sha256}`])
    }
    const url = target.base + target.path
    const isSilent = answer.kind === 'silent' && bytes === 0
    return {
      target,
      checks: found.length,
      differences: found.flatMap(([check, fault]) =>
        fault === undefined ? [] : { url, check, found: fault },
      ),
      bytes,
      unreachable: isSilent,
      turnedAway: isSilent,
    }
  }

  return {
    check,
    list: (base) => listAt(base, read, code),
    close: async () => undefined,
  }
}

async function listAt(base: string, read: Read, code: string | undefined): Promise<Buffer> {
  const pieces: Uint8Array[] = []
  let bytes = 0
  const answer = await read(base, LIST_PATH, (piece) => {
    bytes += piece.byteLength
    if (bytes <= CHECKSUM_TEXT_BYTES) pieces.push(Uint8Array.from(piece))
  })
  if (answer.kind === 'silent') throw new FetchproofError('FP_BASE_UNREACHABLE', { base, cause: NO_ANSWER })
  if (answer.kind === 'refused') {
    const said = `error ${answer.code}: ${answer.text}`
    throw new FetchproofError('FP_LIST_NOT_OFFERED', { url: base + LIST_PATH, answer: said })
  }
  // What follows would stand on record as the pulls of a device.
  if (code !== undefined && !answer.options.has(REHEARSAL_OPTION))
    throw new FetchproofError('FP_REHEARSAL_CODE', { base })
  return Buffer.concat(pieces)
}

const NO_ANSWER = 'no answer in time; a firewall may stand between'

function answerFault(answer: ReadAnswer, bytes: number): string | undefined {
  if (answer.kind === 'refused') return `error ${answer.code}: ${answer.text}`
  if (answer.kind === 'whole') return undefined
  return bytes === 0 ? NO_ANSWER : `it broke off after ${bytes} bytes`
}

function lengthFault({ options }: ReadAnswer & { kind: 'whole' }, expected: number): string | undefined {
  const stated = options.get('tsize')
  if (stated === undefined) return 'there is none'
  return stated === String(expected) ? undefined : `${stated} instead of ${expected}`
}
