/** What a person, or a rehearsal, has put on record over the API; each needs the token. */
import Type, { type Static } from 'typebox'
import type { Depot } from '../depot/depot.ts'
import { userName } from '../depot/image-records.ts'
import { FetchproofError } from '../errors.ts'
import type { ImageReference } from '../ledger/entries.ts'
import { referenceOf } from '../staging/image.ts'
import { By, Device, PastedText, type Post, Sentence, strict, Text } from './requests.ts'

const Decision = strict({ name: Text, reason: Sentence, by: By })
const Strike = strict({ seq: Type.Integer({ minimum: 1 }), reason: Sentence, by: By })
/** `text`: what the maker publishes, a digest or lines that hold one. */
const Published = strict({ name: Text, text: PastedText, by: By })

const PrintedDigest = strict({
  algorithm: Type.String({ minLength: 1, maxLength: 16 }),
  value: Type.String({ pattern: '^[0-9a-f]{8,128}$' }),
  /** The image that it is the digest of, by name. */
  image: Type.Optional(Text),
})
const Observed = strict({
  device: Device,
  by: By,
  before: Type.Optional(Sentence),
  after: Type.Optional(Sentence),
  note: Type.Optional(Sentence),
  digest: Type.Optional(PrintedDigest),
})

/** Differences kept in one entry; a rehearsal that finds more has said enough. */
const MOST_DIFFERENCES = 500
const Rehearsed = strict({
  /** Base URL of the address that was rehearsed. */
  base: Text,
  by: By,
  checks: Type.Integer({ minimum: 0 }),
  differences: Type.Array(strict({ url: Text, check: Text, found: Text }), { maxItems: MOST_DIFFERENCES }),
})

export function addChanges(change: Post, depot: Depot): void {
  change('/api/lift', Decision, ({ name, reason, by }) => {
    depot.lift(name, reason.trim(), by)
    return { lifted: name }
  })
  change('/api/hold', Decision, ({ name, reason, by }) => {
    depot.hold(name, reason.trim(), by)
    return { held: name }
  })
  change('/api/strike', Strike, async ({ seq, reason, by }) => {
    await depot.strike(seq, reason.trim(), by)
    return { struck: seq }
  })
  change('/api/ready-now', strict({ name: Text }), ({ name }) => {
    depot.catalogue.readyNow(name)
    return { hurried: name }
  })
  change('/api/published', Published, async ({ name, text, by }) => {
    imageNamed(depot, name)
    await depot.paste(name, text, by)
    return { published: name }
  })
  change('/api/observed', Observed, async ({ device, by = userName(), before, after, note, digest }) => {
    if ([before, after, note, digest].every((said) => said === undefined)) {
      const why = 'say what was observed: before, after, note or digest'
      throw new FetchproofError('FP_PAGE_REQUEST', { why })
    }
    const { seq } = depot.ledger.append({
      kind: 'observed',
      device: device.trim(),
      by,
      before,
      after,
      note,
      digest: digest && digestOnRecord(depot, digest),
    })
    await depot.ledger.synced()
    return { observed: device.trim(), seq }
  })
  change('/api/rehearsed', Rehearsed, async ({ base, by = userName(), checks, differences }) => {
    const { seq } = depot.ledger.append({ kind: 'rehearsed', base, by, checks, differences })
    await depot.ledger.synced()
    return { rehearsed: base, seq }
  })
}

function digestOnRecord(
  depot: Depot,
  { algorithm, value, image }: Static<typeof PrintedDigest>,
): { algorithm: string; value: string; image?: ImageReference } {
  if (image === undefined) return { algorithm, value }
  return { algorithm, value, image: imageNamed(depot, image) }
}

/** Throws FP_IMAGE_UNKNOWN, for one whose digest is not known (yet) too. */
function imageNamed(depot: Depot, name: string): ImageReference {
  const image = depot.catalogue.get(name)
  if (image?.version === undefined) {
    const hint = image === undefined ? '' : 'It is still being read; wait until its digest is known.'
    throw new FetchproofError('FP_IMAGE_UNKNOWN', { image: name, folder: depot.settings.folder, hint })
  }
  return referenceOf(image)
}
