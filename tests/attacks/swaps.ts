/** Rounds of swapping under a running server: files and folders become links to elsewhere and back while clients pull. */
import { linkSync, mkdirSync, renameSync, rmSync, symlinkSync, utimesSync, writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { expect } from 'vitest'
import { connectRaw, parseHead, request } from '../clients/raw-client.ts'
import {
  imageBytes,
  ledgerEntries,
  putFile,
  serveFolder,
  sha256,
  stagingFolder,
  type Until,
} from '../clients/served.ts'
import { inProcess } from '../commands/in-process.ts'

const IMAGE_BYTES = 1_500_000
const BURST_MS = 120
const READY_WITHIN_MS = 15_000
/** Seconds since 1970. */
const LONG_AGO = 1_700_000_000
/** Of a range across the border of two blocks. */
const RANGE = [262_000, 600_000] as const

type Swap = (turn: number) => void

/** Puts `target` in the place of `path` in one step, as a link of that name. */
function linkOver(target: string, path: string): void {
  const beside = `${path}.swap.tmp`
  rmSync(beside, { recursive: true, force: true })
  symlinkSync(target, beside)
  renameSync(beside, path)
}

export async function swapRounds(rounds: number, cleanUp: Until): Promise<void> {
  const outer = await stagingFolder({}, cleanUp)
  const folder = join(outer, 'staging')
  const elsewhere = join(outer, 'elsewhere')
  const spare = join(outer, 'spare')
  for (const each of [folder, elsewhere, spare]) mkdirSync(each)
  // Of the same length, so that only the bytes tell them apart.
  putFile(elsewhere, 'deep.bin', imageBytes(IMAGE_BYTES, 'outside'))
  putFile(elsewhere, 'core.bin', imageBytes(IMAGE_BYTES, 'outside too'))
  const served = await serveFolder(folder, { cleanUp })
  const inside = new Map<string, Buffer>()
  const counts = { whole: 0, reset: 0, refused: 0 }

  async function pull(path: string, ranged: boolean): Promise<void> {
    const client = await connectRaw(served.port, { keep: true })
    const [first, last] = RANGE
    client.send(request(path, ranged ? [`Range: bytes=${first}-${last}`] : []))
    const end = await client.readToEnd()
    await client.close()
    const head = parseHead(client.raw())
    if (head === undefined || ![200, 206].includes(head.status)) {
      counts.refused += 1
      // 412: a range of the file while the same client's last whole request was for the version before.
      const known = head === undefined || [404, 412, 503].includes(head.status)
      expect(known, `${path}: ${head?.statusLine}; ${known ? '' : refusals()}`).toBe(true)
      expect(client.bodyBytes).toBe(0)
      return
    }
    const bytes = inside.get(head.field('etag') ?? '')
    expect(bytes, `${path}: a version that never stood in the folder`).toBeDefined()
    const promised = head.status === 206 ? bytes?.subarray(first, last + 1) : bytes
    const body = client.body()
    expect(promised?.subarray(0, body.length).equals(body), `${path}: other bytes than its tag says`).toBe(
      true,
    )
    if (end === 'closed' && body.length === promised?.length) counts.whole += 1
    else counts.reset += 1
    // A short body with an end of stream would be taken for a whole one.
    if (end === 'closed') expect(body.length).toBe(promised?.length)
  }

  const refusals = (): string =>
    served.entries
      .flatMap((entry) => (entry.kind === 'fetch-refused' ? `${entry.status} ${entry.reason}` : []))
      .slice(-4)
      .join(' | ')

  async function untilReady(path: string, etag: string): Promise<void> {
    const deadline = Date.now() + READY_WITHIN_MS
    for (;;) {
      const client = await connectRaw(served.port, { keep: true })
      client.send(request(path, ['Connection: close'], 'HEAD'))
      const head = await client.head()
      await client.reset()
      if (head.status === 200 && head.field('etag') === etag) return
      if (Date.now() > deadline) throw new Error(`${path} is not offered again: ${head.statusLine}`)
      await pause(40)
    }
  }

  /** A new version, which no cache holds, at its place; the good file stays beside for putting it back. */
  function stage(round: number): { core: Buffer; deep: Buffer } {
    const core = imageBytes(IMAGE_BYTES, `core ${round}`)
    const deep = imageBytes(IMAGE_BYTES, `deep ${round}`)
    for (const bytes of [core, deep]) inside.set(`"${sha256(bytes)}"`, bytes)
    rmSync(join(folder, 'sub'), { recursive: true, force: true })
    mkdirSync(join(folder, 'sub'))
    putFile(folder, 'sub/deep.bin', deep)
    putFile(spare, 'core.bin', core)
    rmSync(join(folder, 'core.bin'), { force: true })
    linkSync(join(spare, 'core.bin'), join(folder, 'core.bin'))
    return { core, deep }
  }

  const put = (): void => {
    const beside = join(folder, 'core.bin.swap.tmp')
    rmSync(beside, { force: true })
    linkSync(join(spare, 'core.bin'), beside)
    renameSync(beside, join(folder, 'core.bin'))
  }
  const swaps: readonly Swap[] = [
    (turn) => (turn % 2 === 0 ? linkOver(join(elsewhere, 'core.bin'), join(folder, 'core.bin')) : put()),
    (turn) => {
      const [from, to] = turn % 2 === 0 ? ['sub', 'sub.away'] : ['sub.away', 'sub']
      if (turn % 2 === 1) rmSync(join(folder, 'sub'))
      renameSync(join(folder, from), join(folder, to))
      if (turn % 2 === 0) symlinkSync(elsewhere, join(folder, 'sub'))
    },
    (turn) => {
      // In place, through the same file: the length stays, the bytes and the time change, or only the bytes.
      const bytes = imageBytes(IMAGE_BYTES, `in place ${turn % 2}`)
      // Written over (`r+`), never cut first: an empty file that is left so for a moment is held, and rightly.
      writeFileSync(join(spare, 'core.bin'), bytes, { flag: 'r+' })
      if (turn % 2 === 0) utimesSync(join(spare, 'core.bin'), LONG_AGO, LONG_AGO)
      inside.set(`"${sha256(bytes)}"`, bytes)
    },
    (turn) => {
      const names = turn % 2 === 0 ? ['core.bin', 'other.bin'] : ['other.bin', 'core.bin']
      renameSync(join(folder, names[0] ?? ''), join(folder, names[1] ?? ''))
    },
  ]

  for (let round = 0; round < rounds; round += 1) {
    const { core, deep } = stage(round)
    await untilReady('/core.bin', `"${sha256(core)}"`)
    await untilReady('/sub/deep.bin', `"${sha256(deep)}"`)
    const swap = swaps[round % swaps.length]
    let swapping = true
    const pulls = Array.from({ length: 4 }, async (_none, which) => {
      do await pull(which % 2 === 0 ? '/core.bin' : '/sub/deep.bin', which > 1)
      while (swapping)
    })
    const until = performance.now() + BURST_MS
    let turn = 0
    for (; performance.now() < until || turn % 2 === 1; turn += 1) {
      swap?.(turn)
      await pause(2)
    }
    swapping = false
    await Promise.all(pulls)
    rmSync(join(folder, 'other.bin'), { force: true })
  }
  expect(counts.whole).toBeGreaterThan(rounds)
  expect(await served.stop()).toBe(0)
  expect(await inProcess(['audit', folder, '--check'])).toMatchObject({ status: 0 })
  const outside = ['deep.bin', 'core.bin'].map((_name, which) =>
    sha256(imageBytes(IMAGE_BYTES, which === 0 ? 'outside' : 'outside too')),
  )
  const offered = ledgerEntries(folder).flatMap((entry) => (entry.kind === 'image' ? [entry.sha256] : []))
  expect(offered.filter((digest) => outside.includes(digest))).toEqual([])
}
