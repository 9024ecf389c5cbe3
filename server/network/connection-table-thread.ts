/**
 * The thread that looks at the tables. The kernel hands a table out in pieces of 4 KiB whatever is asked for; through
 * the event loop each was a turn of it (28,000 leftover connections: 1.7 s under a flood), here it is one call after
 * the other (about 40 ms, the loop free meanwhile).
 */
import { closeSync, openSync, readSync } from 'node:fs'
import { parentPort } from 'node:worker_threads'
import { type Looked, lookAtTables } from './connection-table.ts'

export interface LookTask {
  readonly id: number
  readonly connections: readonly (readonly string[])[]
}

export interface LookAnswer extends Looked {
  readonly id: number
}

const piece = Buffer.allocUnsafe(64 * 1024)

/** Whole lines; nothing of a long table is kept, since it would stay with the thread. */
function* readTable(path: string): Generator<string> {
  const table = openSync(path, 'r')
  try {
    let kept = 0
    for (;;) {
      const read = readSync(table, piece, kept, piece.length - kept, null)
      if (read === 0) break
      const bytes = kept + read
      const whole = piece.lastIndexOf(0x0a, bytes - 1) + 1
      yield piece.toString('latin1', 0, whole)
      piece.copyWithin(0, whole, bytes)
      kept = bytes - whole
    }
    yield piece.toString('latin1', 0, kept)
  } finally {
    closeSync(table)
  }
}

parentPort?.on('message', ({ id, connections }: LookTask) => {
  parentPort?.postMessage({ id, ...lookAtTables(connections, readTable) } satisfies LookAnswer)
})
