/** What an answer on the wire must be like, whatever was asked. */
import { parseHead } from '../clients/raw-client.ts'
import { rangeVerdicts } from './range-model.ts'
import type { Fuzzed, FuzzImage } from './request-grammar.ts'

/** Of the documented ones, those that a server with ready images and room enough has a reason for. */
const STATUSES: ReadonlySet<number> = new Set([200, 206, 304, 400, 404, 405, 412, 416, 431, 501, 505])
const FIELD =
  /^(?:Content-Length|Content-Type|Accept-Ranges|ETag|Last-Modified|Repr-Digest|Digest|Cache-Control|Connection|Keep-Alive|Date|Content-Range|Retry-After|Allow): [\x20-\x7e]*$/
const STATUS_LINE = /^HTTP\/1\.1 \d{3} [A-Za-z ]+$/
const HEAD_BYTES = 1024

export interface Answer {
  readonly status: number
  readonly hasBody: boolean
}

/** The answers in `raw`, in order. Throws an error that says what is wrong with them. */
export function checkedAnswers(raw: Buffer, images: readonly FuzzImage[]): Answer[] {
  const answers: Answer[] = []
  for (let rest = raw; rest.length > 0; ) {
    const head = parseHead(rest)
    if (head === undefined) throw new Error(`no whole head: ${show(rest)}`)
    if (head.bytes > HEAD_BYTES) throw new Error(`a head of ${head.bytes} bytes`)
    if (!STATUS_LINE.test(head.statusLine))
      throw new Error(`status line ${show(Buffer.from(head.statusLine))}`)
    if (!STATUSES.has(head.status)) throw new Error(`undocumented: ${head.statusLine}`)
    for (const line of head.lines) if (!FIELD.test(line)) throw new Error(`field ${JSON.stringify(line)}`)
    const names = head.lines.map((line) => line.split(':')[0])
    if (new Set(names).size !== names.length) throw new Error(`a field stands twice: ${names.join()}`)
    const after = rest.subarray(head.bytes)
    const body = bodyOf(head, images)
    const hasBody = after.length > 0 && !after.subarray(0, 7).equals(Buffer.from('HTTP/1.'))
    if (!hasBody) {
      answers.push({ status: head.status, hasBody: false })
      rest = after
      continue
    }
    if (body === undefined) throw new Error(`${head.statusLine} with ${after.length} bytes of body`)
    if (!after.equals(body))
      throw new Error(`${head.statusLine}: the ${after.length} bytes are not those promised`)
    if (head.field('content-length') !== String(body.length))
      throw new Error('Content-Length is not that of the body')
    answers.push({ status: head.status, hasBody: true })
    rest = Buffer.alloc(0)
  }
  return answers
}

/** The bytes that a head promises; undefined when none. */
function bodyOf(
  head: NonNullable<ReturnType<typeof parseHead>>,
  images: readonly FuzzImage[],
): Buffer | undefined {
  if (head.status !== 200 && head.status !== 206) return undefined
  if (head.field('content-type') === 'text/plain; charset=utf-8') {
    const length = Number(head.field('content-length'))
    const lines = images.map(({ path, etag }) => Buffer.from(`${etag.slice(1, -1)}  ${path.slice(1)}\n`))
    return lines.find((line) => line.length === length)
  }
  const image = images.find(({ etag }) => etag === head.field('etag'))
  if (image === undefined) throw new Error(`no image has the tag ${head.field('etag')}`)
  if (head.status === 200) return image.bytes
  const range = /^bytes (\d+)-(\d+)\/(\d+)$/.exec(head.field('content-range') ?? '')
  if (range === null || Number(range[3]) !== image.bytes.length)
    throw new Error(`range ${head.field('content-range')}`)
  return image.bytes.subarray(Number(range[1]), Number(range[2]) + 1)
}

/** Holds the first answer against what the request is known to ask. Throws as `checkedAnswers` does. */
export function checkMeaning(
  fuzzed: Fuzzed,
  raw: Buffer,
  answers: readonly Answer[],
  images: readonly FuzzImage[],
): void {
  const [first] = answers
  if (first === undefined) return
  const isGet = fuzzed.text.startsWith('GET ')
  if (isGet && (first.status === 200 || first.status === 206) && !first.hasBody)
    throw new Error('a GET without its body')
  if (fuzzed.text.startsWith('HEAD ') && first.hasBody) throw new Error('a HEAD with a body')
  const { ranged } = fuzzed
  // A byte above 127 in a field is no fault of the grammar (obs-text); a control character makes it a 400.
  if (ranged === undefined || first.status === 400) {
    // biome-ignore lint/suspicious/noControlCharactersInRegex: control characters are what is looked for
    if (ranged !== undefined && !/[\x00-\x08\x0a-\x1f\x7f]/.test(ranged.range))
      throw new Error('a valid request got 400')
    return
  }
  const bytes = images[ranged.image]?.bytes.length ?? 0
  const verdicts =
    ranged.ifRange === 'other' ? [{ status: 200 } as const] : rangeVerdicts(ranged.range, bytes)
  const head = parseHead(raw)
  const got = head?.status === 206 ? head.field('content-range') : String(head?.status)
  const right = verdicts.map((verdict) =>
    verdict.status === 206 ? `bytes ${verdict.first}-${verdict.last}/${bytes}` : String(verdict.status),
  )
  if (!right.includes(got ?? ''))
    throw new Error(`range ${ranged.range}: ${got}, and not ${right.join(' or ')}`)
}

function show(bytes: Buffer): string {
  return JSON.stringify(bytes.toString('latin1').slice(0, 80))
}
