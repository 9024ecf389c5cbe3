/** `fetchproof lift`: a person lets a held image be served, and says why. */
import { liftOf } from '../depot/image-records.ts'
import { FetchproofError } from '../errors.ts'
import { stateWords } from '../staging/image-words.ts'
import { visible } from '../wording/visible.ts'
import { EXIT } from './exit.ts'
import type { HostProcess } from './host-process.ts'
import { type DecisionFlags, type DecisionForm, decideOn } from './image-decision.ts'
import { answer } from './printing.ts'

const LIFT: DecisionForm = {
  whyReason: '--reason is empty. Say why the image may be served: it stands in the ledger for good.',
  path: '/api/lift',
  entry: (image, decision) => ({ ...liftOf(image), ...decision }),
  check({ name, state }) {
    if (state !== 'held') throw new FetchproofError('FP_NOT_HELD', { image: name, state: stateWords(state) })
  },
}

export async function lift(named: string, flags: DecisionFlags, around: HostProcess): Promise<number> {
  const { image, reason, by, served } = await decideOn(named, flags, LIFT, around)
  const { name, sha256, reason: was } = image
  const lines = [
    `${visible(name)}: the hold is lifted by ${visible(by)} (${visible(reason)}).`,
    `It was held: ${visible(was ?? 'no reason given')}`,
    `The lift is for these bytes (SHA-256 ${sha256}) and this reason: a changed file needs a new one, and so does another reason.`,
    served ? 'Devices can fetch it now.' : 'It will be offered when the folder is served.',
  ]
  const lifted = { lifted: name, sha256, was, reason, by, served }
  answer(around, flags.format, lifted, () => lines)
  return EXIT.done
}
