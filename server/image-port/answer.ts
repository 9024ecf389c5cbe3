/**
 * What an admitted request is answered with, as a value: no socket, no ledger. The table in the README is this file
 * and the statuses of denials.
 */
import { answerRange, resumeOffset } from '../delivery/range-header.ts'
import type { Admitted, Denial, Denied, Part } from '../depot/admission.ts'
import { type ReadyImage, referenceOf } from '../staging/image.ts'
import { type ConditionHeaders, etagOf, evaluateConditions, ifRangeHolds } from './conditions.ts'
import { ALLOW, type HeadFields, RETRY_SOON, type Status, unsatisfiedRange } from './head.ts'

export interface Question {
  readonly method: string
  /** As `1.1`. */
  readonly httpVersion: string
  readonly admitted: Admitted | Denied
  readonly headers: ConditionHeaders & {
    readonly range?: string | undefined
    readonly 'transfer-encoding'?: string | undefined
  }
  /** Why this client may not have a part of the image. */
  readonly denyPart: (image: ReadyImage, part: Part) => Denied | undefined
}

export type Answer =
  | {
      readonly kind: 'body'
      readonly image: ReadyImage
      readonly status: 200 | 206
      readonly first: number
      readonly promised: number
      readonly versionChanged?: true | undefined
    }
  | { readonly kind: 'headers'; readonly image: ReadyImage; readonly status: 200 | 304 }
  | Exclude<Admitted, { kind: 'image' }>
  | Refusal

export interface Refusal {
  readonly kind: 'refusal'
  readonly status: Status
  readonly denial?: Denial
  readonly reason: string
  readonly hint?: string | undefined
  readonly fields?: HeadFields
  readonly image?: Denied['image'] | undefined
  readonly versionChanged?: true | undefined
  /** Sent as the body. */
  readonly text?: string
}

const STATUS_OF_DENIAL = {
  'not allowed': 403,
  'not planned': 403,
  'unknown name': 404,
  held: 409,
  'other version': 412,
  'not ready': 503,
  unavailable: 503,
} as const satisfies Record<Denial, Status>

export function answer(question: Question): Answer {
  const { method, admitted } = question
  if (admitted.kind === 'denied' && admitted.denial === 'not allowed') return refusalOf(admitted)
  const foreign = foreignFraming(question)
  if (foreign !== undefined) return foreign
  if (method !== 'GET' && method !== 'HEAD')
    return refused(405, `${method} is not answered here`, { fields: ALLOW })
  if (admitted.kind === 'denied') return refusalOf(admitted)
  return admitted.kind === 'image' ? imageAnswer(question, admitted.image) : admitted
}

/** Where the request ends could not be told (RFC 9112 §6.1), or it is of a version with other rules (RFC 9110 §15.6.6). */
function foreignFraming({ httpVersion, headers }: Question): Refusal | undefined {
  if (!httpVersion.startsWith('1.')) return refused(505, `HTTP/${httpVersion} is not spoken here`)
  const coding = headers['transfer-encoding']
  if (coding === undefined || coding.toLowerCase() === 'chunked') return undefined
  return refused(501, `the transfer coding ${coding} is not known here`)
}

function refused(status: Status, reason: string, more: Partial<Refusal> = {}): Refusal {
  return { kind: 'refusal', status, reason, ...more }
}

export function refusalOf({ denial, reason, hint, image }: Denied): Refusal {
  const status = STATUS_OF_DENIAL[denial]
  const fields = status === 503 ? { fields: RETRY_SOON } : {}
  const versionChanged = denial === 'other version' || undefined
  return refused(status, reason, { denial, hint, image, versionChanged, ...fields })
}

function imageAnswer({ method, headers, denyPart }: Question, image: ReadyImage): Answer {
  const current = { etag: etagOf(image), modifiedMs: image.modifiedMs }
  const condition = evaluateConditions(headers, current)
  if (condition === 'failed')
    return refused(412, 'the client asked for another version', { image: referenceOf(image) })
  if (condition === 'not modified') return { kind: 'headers', image, status: 304 }
  // Range is defined for GET alone (RFC 9110 §14.2).
  if (method === 'HEAD') return { kind: 'headers', image, status: 200 }
  const { bytes } = image.version
  // An empty image, lifted by a person: there is no body to send.
  if (bytes === 0) return { kind: 'headers', image, status: 200 }
  const whole = { kind: 'body', image, status: 200, first: 0, promised: bytes } as const
  if (headers.range === undefined) return whole
  if (!ifRangeHolds(headers['if-range'], current)) {
    const isOther = denyPart(image, { first: 1, onward: false }) !== undefined
    return { ...whole, versionChanged: isOther || undefined }
  }
  const range = answerRange(headers.range, bytes)
  if (range.kind === 'whole') return whole
  const resumesAt = resumeOffset(headers.range)
  const first = range.kind === 'part' ? range.first : (resumesAt ?? bytes)
  // With an If-Range that holds the client has said itself that its part is of this version.
  if (first > 0 && (headers['if-range'] === undefined || range.kind === 'unsatisfiable')) {
    const denied = denyPart(image, { first, onward: resumesAt !== undefined })
    if (denied !== undefined) return refusalOfPart(denied, resumesAt)
  }
  if (range.kind === 'unsatisfiable') {
    return refused(416, 'the range lies outside the image; the client may already hold all of it', {
      fields: unsatisfiedRange(bytes),
      image: referenceOf(image),
    })
  }
  const promised = range.last - range.first + 1
  return { kind: 'body', image, status: 206, first: range.first, promised }
}

/**
 * curl takes an answer without a body for a success when nobody tells it to fail (`-f`); where it resumes, it refuses a
 * body that does not go on where its part ends, writes none of it, and says so (exit 33; tried with 7.88). GNU wget,
 * BusyBox and aria2 look at the status.
 */
function refusalOfPart(denied: Denied, resumesAt: number | undefined): Refusal {
  const refusal = refusalOf(denied)
  return resumesAt === undefined ? refusal : { ...refusal, text: `${denied.reason}: ${denied.hint ?? ''}.\n` }
}
