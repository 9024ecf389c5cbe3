/**
 * Conditional requests, RFC 9110 §13, for one representation whose entity tag is its SHA-256: evaluated in the
 * order of §13.2.2. If-Match and If-Range compare strongly, If-None-Match weakly, as §13.1 demands of each.
 */
import type { ReadyImage } from '../staging/image.ts'
import { parseHttpDate } from './http-date.ts'

interface Validators {
  /** With its quotes. */
  readonly etag: string
  readonly modifiedMs: number
}

export function etagOf({ version }: ReadyImage): string {
  return `"${version.sha256}"`
}

export interface ConditionHeaders {
  readonly 'if-match'?: string | undefined
  readonly 'if-unmodified-since'?: string | undefined
  readonly 'if-none-match'?: string | undefined
  readonly 'if-modified-since'?: string | undefined
  readonly 'if-range'?: string | undefined
}

type Condition = 'go on' | 'not modified' | 'failed'

export function evaluateConditions(headers: ConditionHeaders, current: Validators): Condition {
  const ifMatch = headers['if-match']
  const unmodifiedSince = headers['if-unmodified-since']
  if (ifMatch !== undefined) {
    if (!listsTag(ifMatch, current.etag, 'strongly')) return 'failed'
  } else if (unmodifiedSince !== undefined && isAfter(current.modifiedMs, unmodifiedSince)) {
    return 'failed'
  }
  const noneMatch = headers['if-none-match']
  const modifiedSince = headers['if-modified-since']
  if (noneMatch !== undefined) return listsTag(noneMatch, current.etag, 'weakly') ? 'not modified' : 'go on'
  if (modifiedSince !== undefined && isAfter(current.modifiedMs, modifiedSince) === false)
    return 'not modified'
  return 'go on'
}

/**
 * If-Range, RFC 9110 §13.1.5: only the exact strong tag lets a range through. A date never does: two versions
 * of a file may carry one modification time, so here it is no strong validator (§8.8.2.2).
 */
export function ifRangeHolds(header: string | undefined, current: Validators): boolean {
  return header === undefined || header.trim() === current.etag
}

/** RFC 9110 §8.8.3.2: a weak tag equals a strong one only in a weak comparison. */
function listsTag(header: string, etag: string, compared: 'strongly' | 'weakly'): boolean {
  if (header.trim() === '*') return true
  const tags: readonly string[] = header.match(/(?:W\/)?"[^"]*"/g) ?? []
  return tags.includes(etag) || (compared === 'weakly' && tags.includes(`W/${etag}`))
}

/** Undefined when the date cannot be read: the condition is then ignored (§13.1.3, §13.1.4). Whole seconds. */
function isAfter(modifiedMs: number, date: string): boolean | undefined {
  const limit = parseHttpDate(date.trim(), Date.now())
  if (limit === undefined) return undefined
  return Math.floor(modifiedMs / 1000) * 1000 > limit
}
