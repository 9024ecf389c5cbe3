/** `fetchproof hold`: a person withdraws an image, and says why. What is under way of it is reset. */
import { versionOf } from '../depot/image-records.ts'
import { FetchproofError } from '../errors.ts'
import { stateWords } from '../staging/image-words.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import type { HostProcess } from './host-process.ts'
import { type DecisionFlags, type DecisionForm, decideOn } from './image-decision.ts'
import { answer } from './printing.ts'

const HOLD: DecisionForm = {
  whyReason: '--reason is empty. Say why the image must not be served: it stands in the ledger for good.',
  path: '/api/hold',
  entry: (image, decision) => ({ kind: 'held', name: image.name, sha256: versionOf(image), ...decision }),
  check({ name, state, sha256 }) {
    if (sha256 === null)
      throw new FetchproofError('FP_IMAGE_UNREAD', { image: name, state: stateWords(state) })
  },
}

export async function hold(named: string, flags: DecisionFlags, around: HostProcess): Promise<number> {
  const { image, reason, by, served } = await decideOn(named, flags, HOLD, around)
  const { name, sha256 } = image
  const lines = [
    `${visible(name)}: held by ${visible(by)} (${visible(reason)}).`,
    served
      ? 'No device can fetch it now; fetches of it in progress have been reset.'
      : 'It will not be offered when the folder is served.',
    `The hold is for these bytes (SHA-256 ${sha256}). "fetchproof lift" ends it.`,
  ]
  const held = { held: name, sha256, reason, by, served }
  answer(around, flags.format, held, () => lines)
  return EXIT.done
}
