/**
 * What a request is answered with, as a value: no socket, no ledger. The table in the README is this file.
 */
import { answerRange } from '../delivery/ranges.ts'
import type { Found, Image, ReadyImage } from '../staging/image.ts'
import { type ConditionHeaders, evaluateConditions, ifRangeHolds } from './conditions.ts'
import { ALLOW, etagOf, type HeadFields, RETRY_SOON, type Status, unsatisfiedRange } from './head.ts'

export interface Question {
  readonly method: string
  readonly found: Found
  readonly headers: ConditionHeaders & { readonly range?: string | undefined }
  /** SHA-256 of the version that this client began last, if any. */
  readonly versionBegun: (imageName: string) => string | undefined
  readonly listOffered: boolean
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
  | { readonly kind: 'checksum'; readonly image: ReadyImage }
  | { readonly kind: 'list' }
  | Refusal

export interface Refusal {
  readonly kind: 'refusal'
  readonly status: Status
  readonly reason: string
  readonly hint?: string
  readonly fields?: HeadFields
  readonly image?: ReadyImage
}

export function answer(question: Question): Answer {
  const { method, found } = question
  if (method !== 'GET' && method !== 'HEAD') {
    return { kind: 'refusal', status: 405, reason: `${method} is not answered here`, fields: ALLOW }
  }
  if (found.kind === 'none') return missing(found.nearest)
  if (found.kind === 'list') return question.listOffered ? { kind: 'list' } : listNotOffered()
  if (!isReady(found.image)) return notReady(found.image)
  if (found.kind === 'checksum') return { kind: 'checksum', image: found.image }
  return imageAnswer(question, found.image)
}

export function isReady(image: Image): image is ReadyImage {
  return image.state === 'ready' && image.version !== undefined && image.digestPath !== undefined
}

function imageAnswer({ method, headers, versionBegun }: Question, image: ReadyImage): Answer {
  const current = { etag: etagOf(image), modifiedMs: image.modifiedMs }
  const condition = evaluateConditions(headers, current)
  if (condition === 'failed') {
    return { kind: 'refusal', status: 412, reason: 'the client asked for another version', image }
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
    return { kind: 'refusal', status: 416, reason, fields: unsatisfiedRange(bytes), image }
  }
  const promised = range.last - range.first + 1
  return { kind: 'body', image, status: 206, first: range.first, promised, versionChanged: false }
}

function missing(nearest: string | undefined): Refusal {
  const hint = nearest === undefined ? undefined : `the nearest name is ${nearest}`
  return {
    kind: 'refusal',
    status: 404,
    reason: 'no image of that name',
    ...(hint !== undefined && { hint }),
  }
}

function listNotOffered(): Refusal {
  return {
    kind: 'refusal',
    status: 404,
    reason: 'the checksum list is not offered',
    hint: '--list offers it',
  }
}

function notReady(image: Image): Refusal {
  if (image.state === 'held') {
    return {
      kind: 'refusal',
      status: 409,
      reason: `${image.name} is held: ${image.reason ?? 'no reason given'}`,
    }
  }
  const reason = `${image.name} is ${image.state}${image.reason === undefined ? '' : `: ${image.reason}`}`
  return { kind: 'refusal', status: 503, reason, fields: RETRY_SOON }
}
