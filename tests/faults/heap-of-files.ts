/** So many small images put into the folder of a running server at once, and what it costs until all are ready. */
import { setTimeout as pause } from 'node:timers/promises'
import { onTestFinished } from 'vitest'
import { IMAGES_AT_MOST } from '../../server/bench/snapshot.ts'
import { ask, exchange, parseHead, request } from '../clients/raw-client.ts'
import { imageBytes, putFile, type ServedProgram, serveFiles, sha256 } from '../clients/served.ts'
import { snapshotOf, snapshotText } from './bench.ts'
import { cpuSeconds, mostResidentBytes } from './process-figures.ts'

const FIRST = imageBytes(2 * 1024 * 1024, 'there first')

export interface Heap {
  readonly served: ServedProgram
  readonly cpuSeconds: number
  readonly mostResidentBytes: number
  readonly snapshotBytes: number
  /** Statuses and digests of fetches of an older image meanwhile. */
  readonly meanwhile: readonly { readonly status: number | undefined; readonly whole: boolean }[]
  /** Whether a fetch that was under way before the heap came has got every byte. */
  readonly underWayWhole: boolean
  readonly imagesShown: number
  readonly imagesReady: number
}

export const SHOWN_AT_MOST = IMAGES_AT_MOST

/** Small files with bytes of no format that is known, each other ones. */
export async function dropHeap(files: number, deadlineMs: number): Promise<Heap> {
  const served = await serveFiles(
    { 'first.bin': FIRST },
    // As often as by default: what is measured is the heap, and not looking at it three times a second.
    { cleanUp: onTestFinished, flags: ['--rescan-ms', '10000'] },
  )
  const pid = served.process.pid ?? 0
  const records = `${served.folder}/.fetchproof`
  const underWay = await ask(served.port, '/first.bin')
  onTestFinished(() => underWay.reset())
  await underWay.readBody(100_000)
  const before = cpuSeconds(pid)
  for (let at = 0; at < files; at += 1) {
    putFile(served.folder, `heap-${at}.bin`, Buffer.concat([Buffer.from([0x80, 0x12, 0, 0xff]), number(at)]))
  }
  const meanwhile: Heap['meanwhile'][number][] = []
  const seen = new Set<string>()
  let looked = 0
  const deadline = performance.now() + deadlineMs
  while (seen.size < files + 1) {
    if (performance.now() > deadline) throw new Error(`${seen.size} of ${files} files after ${deadlineMs} ms`)
    const { raw, client } = await exchange(served.port, request('/first.bin'))
    meanwhile.push({ status: parseHead(raw)?.status, whole: client.bodySha256() === sha256(FIRST) })
    for (const entry of served.entries.slice(looked)) if (entry.kind === 'image') seen.add(entry.name)
    looked = served.entries.length
    await pause(50)
  }
  await underWay.readToEnd()
  await underWay.close()
  const snapshot = await snapshotOf(records)
  return {
    served,
    cpuSeconds: cpuSeconds(pid) - before,
    mostResidentBytes: mostResidentBytes(pid),
    snapshotBytes: (await snapshotText(records)).length,
    meanwhile,
    underWayWhole: underWay.bodySha256() === sha256(FIRST),
    imagesShown: snapshot.images.length,
    imagesReady: snapshot.imagesInAll.ready,
  }
}

function number(at: number): Buffer {
  const bytes = Buffer.alloc(500, 0xa5)
  bytes.writeUInt32BE(at, 0)
  return bytes
}
