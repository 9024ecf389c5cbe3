/**
 * What an admitted request is answered with, as a value: no socket, no ledger. The table in the README is this file
 * and the statuses of denials.
 */
import { referenceOf } from '../delivery/delivery.ts'
import { answerRange } from '../delivery/ranges.ts'
import type { Admitted, Denial, Denied } from '../depot/admission.ts'
import type { ReadyImage } from '../staging/image.ts'
import { type ConditionHeaders, evaluateConditions, ifRangeHolds } from './conditions.ts'
import { ALLOW, etagOf, type HeadFields, RETRY_SOON, type Status, unsatisfiedRange } from './head.ts'

export interface Question {
  readonly method: string
  readonly admitted: Admitted | Denied
  readonly headers: ConditionHeaders & { readonly range?: string | undefined }
  /** SHA-256 of the version that this client began last, if any. */
  readonly versionBegun: (imageName: string) => string | undefined
}

export type Answer =
  | {
      readonly kind: 'body'
      readonly image: ReadyImage
      readonly status: 200 | 206
      readonly first: number
      readonly promised: number
      readonly versionChanged: boolean
    }
  | { readonly kind: 'headers'; readonly image: ReadyImage; readonly status: 200 | 304 }
  | Exclude<Admitted, { kind: 'image' }>
  | Refusal

export interface Refusal {
  readonly kind: 'refusal'
  readonly status: Status
  readonly reason: string
  readonly hint?: string
  readonly fields?: HeadFields
  readonly image?: Denied['image']
}

const STATUS_OF_DENIAL = {
  'not allowed': 403,
  'not planned': 403,
  'unknown name': 404,
  held: 409,
  'not ready': 503,
  unavailable: 503,
} as const satisfies Record<Denial, Status>

export function answer(question: Question): Answer {
  const { method, admitted } = question
  if (admitted.kind === 'denied' && admitted.denial === 'not allowed') return refusalOf(admitted)
  if (method !== 'GET' && method !== 'HEAD') {
    return { kind: 'refusal', status: 405, reason: `${method} is not answered here`, fields: ALLOW }
  }
  if (admitted.kind === 'denied') return refusalOf(admitted)
  return admitted.kind === 'image' ? imageAnswer(question, admitted.image) : admitted
}

export function refusalOf({ denial, reason, hint, image }: Denied): Refusal {
  const status = STATUS_OF_DENIAL[denial]
  return {
    kind: 'refusal',
    status,
    reason,
    ...(hint !== undefined && { hint }),
    ...(image !== undefined && { image }),
    ...(status === 503 && { fields: RETRY_SOON }),
  }
}

function imageAnswer({ method, headers, versionBegun }: Question, image: ReadyImage): Answer {
  const current = { etag: etagOf(image), modifiedMs: image.modifiedMs }
  const condition = evaluateConditions(headers, current)
  if (condition === 'failed') {
    return {
      kind: 'refusal',
      status: 412,
      reason: 'the client asked for another version',
      image: referenceOf(image),
    }
  }
  if (condition === 'not modified') return { kind: 'headers', image, status: 304 }
  // Range is defined for GET alone (RFC 9110 §14.2).
  if (method === 'HEAD') return { kind: 'headers', image, status: 200 }
  const { bytes, sha256 } = image.version
  // An empty image, lifted by a person: there is no body to send.
  if (bytes === 0) return { kind: 'headers', image, status: 200 }
  const whole = { kind: 'body', image, status: 200, first: 0, promised: bytes } as const
  if (headers.range === undefined) return { ...whole, versionChanged: false }
  const begun = versionBegun(image.name)
  const isOther = begun !== undefined && begun !== sha256
  // Clients rarely send If-Range: appending this version to a part of another would make a mixture.
  if (isOther && headers['if-range'] === undefined) return { ...whole, versionChanged: true }
  if (!ifRangeHolds(headers['if-range'], current)) return { ...whole, versionChanged: isOther }
  const range = answerRange(headers.range, bytes)
  if (range.kind === 'whole') return { ...whole, versionChanged: false }
  if (range.kind === 'unsatisfiable') {
    const reason = 'the range lies outside the image; the client may already hold all of it'
    return {
      kind: 'refusal',
      status: 416,
      reason,
      fields: unsatisfiedRange(bytes),
      image: referenceOf(image),
    }
  }
  const promised = range.last - range.first + 1
  return { kind: 'body', image, status: 206, first: range.first, promised, versionChanged: false }
}
