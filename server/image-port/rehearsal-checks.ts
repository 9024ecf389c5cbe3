/**
 * What a rehearsal asks of one URL, as a device would, and how the answers must agree: GET whole, HEAD like GET
 * (RFC 9110 §9.3.2), a range in the middle and a resume to the end (§14).
 */
import type { Checked, Difference, Target } from '../depot/door.ts'
import { type Answered, type ByteRange, createAsker, type Way } from './rehearsal-asking.ts'

const RANGE_BYTES = 64 * 1024
const RESUME_BYTES = 16 * 1024 * 1024

/** Never rejects for what the other side does: that is what differs. */
export async function checkTarget(
  target: Target,
  way: Way,
  onBytes: (bytes: number) => void = () => undefined,
): Promise<Checked> {
  const url = target.base + target.path
  const ask = createAsker(url, way, (piece) => onBytes(piece.length))
  const differences: Difference[] = []
  const checked = { target, checks: 0, differences, bytes: 0, unreachable: false, turnedAway: false }
  const check = (name: string, found: string | undefined): boolean => {
    checked.checks += 1
    if (found !== undefined) differences.push({ url, check: name, found })
    return found === undefined
  }

  let plan: Plan | undefined
  const partsOf = (stated: number | undefined): readonly ByteRange[] => {
    plan = planOf(target.bytes ?? stated)
    return plan === undefined ? [] : [plan.range, plan.resume]
  }
  const whole = await ask('GET', {}, { partsOf })
  if ('failed' in whole) {
    check('connection', whole.failed)
    return { ...checked, unreachable: whole.unreachable }
  }
  checked.bytes = whole.bytes
  checked.turnedAway = whole.status === 403
  if (!check('status', statusFault(whole, 200))) return checked
  const lengthIsRight = check('Content-Length', lengthFault(whole, target.bytes))
  const bodyIsRight = check('digest', digestFault(whole, target.sha256))
  const head = await ask('HEAD', {})
  check('HEAD', 'failed' in head ? head.failed : headFault(head, whole))
  if (!lengthIsRight || !bodyIsRight || plan === undefined) return checked
  for (const [at, name] of (['range', 'resume'] as const).entries()) {
    const part = plan[name]
    const range = name === 'range' ? `bytes=${part.first}-${part.last}` : `bytes=${part.first}-`
    const only = { status: 206, bytes: part.last - part.first + 1 }
    const answer = await ask('GET', { range }, { only })
    const fault = 'failed' in answer ? answer.failed : partFault(answer, part, plan.bytes, whole.parts[at])
    check(name, fault)
  }
  return checked
}

interface Plan {
  readonly bytes: number
  readonly range: ByteRange
  readonly resume: ByteRange
}

/** Parts to ask for; none of an image that has no middle. */
function planOf(bytes: number | undefined): Plan | undefined {
  if (bytes === undefined || bytes < 2) return undefined
  const first = Math.floor(bytes / 2)
  const resume = bytes - Math.min(RESUME_BYTES, Math.max(1, Math.floor(bytes / 3)))
  return {
    bytes,
    range: { first, last: Math.min(bytes - 1, first + RANGE_BYTES - 1) },
    resume: { first: resume, last: bytes - 1 },
  }
}

function statusFault({ status, headers }: Answered, expected: number): string | undefined {
  if (status === expected) return undefined
  if (status === 200 && expected === 206) return 'status 200: the range was ignored'
  const { location } = headers
  return location === undefined ? `status ${status}` : `status ${status}, sent on to ${location}`
}

function lengthFault({ headers, bytes, broke }: Answered, expected: number | undefined): string | undefined {
  const stated = headers['content-length']
  if (stated === undefined) return 'there is none'
  if (!/^\d+$/.test(stated)) return `it is ${stated}`
  if (expected !== undefined && Number(stated) !== expected) return `${stated} instead of ${expected}`
  return broke === undefined && Number(stated) !== bytes ? `${stated}, but ${bytes} bytes came` : undefined
}

function digestFault({ sha256, bytes, broke, start }: Answered, expected: string): string | undefined {
  if (broke !== undefined) return `the body broke off after ${bytes} bytes (${broke})`
  if (sha256 === expected) return undefined
  const page = /^\s*<(!doctype html|html|head|body)/i.test(start)
    ? ': a page for people, such as a login page on the way, not the image'
    : ''
  return `${bytes} bytes with SHA-256 ${sha256}${page}`
}

/** Fields of the connection or the moment, not of the image. */
const PASSING_FIELDS: ReadonlySet<string> = new Set(['connection', 'keep-alive', 'date', 'transfer-encoding'])

function headFault(head: Answered, whole: Answered): string | undefined {
  if (head.status !== whole.status) return `status ${head.status}, and ${whole.status} to GET`
  const names = [...new Set([...Object.keys(whole.headers), ...Object.keys(head.headers)])]
  const unlike = names.filter(
    (name) => !PASSING_FIELDS.has(name) && head.headers[name] !== whole.headers[name],
  )
  if (unlike.length === 0) return undefined
  return unlike
    .map(
      (name) => `${name} is ${head.headers[name] ?? 'absent'}, and ${whole.headers[name] ?? 'absent'} to GET`,
    )
    .join('; ')
}

function partFault(
  answer: Answered,
  { first, last }: ByteRange,
  bytes: number,
  expected: string | undefined,
): string | undefined {
  const status = statusFault(answer, 206)
  if (status !== undefined) return status
  const range = `bytes ${first}-${last}/${bytes}`
  const stated = answer.headers['content-range']
  if (stated !== range) return `Content-Range ${stated ?? 'absent'} instead of ${range}`
  const length = lengthFault(answer, last - first + 1)
  if (length !== undefined) return `Content-Length: ${length}`
  if (answer.broke !== undefined) return `it broke off after ${answer.bytes} bytes (${answer.broke})`
  return answer.sha256 === expected ? undefined : 'bytes differ from those of the complete image'
}
