/** An opened image as blocks are read from it: scattered reads at a position, on the descriptor that was checked. */
import { readv } from 'node:fs'
import { promisify } from 'node:util'
import type { FileIdentity, OpenFile } from '../files/folder.ts'

export type ImageFile = ReturnType<typeof imageFileOf>

const scatter = promisify(readv)

export function imageFileOf(opened: OpenFile) {
  return {
    /** When it was opened. */
    identity: opened.identity,
    /** What the descriptor says now. */
    stat: (): Promise<FileIdentity> => opened.stat(),
    readv: (buffers: readonly NodeJS.ArrayBufferView[], position: number): Promise<{ bytesRead: number }> =>
      scatter(opened.fd, buffers, position),
    close: (): Promise<void> => opened.close(),
  }
}
