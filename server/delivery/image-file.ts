/** An opened image as blocks are read from it: scattered reads at a position, on the descriptor that was checked. */
import { readv } from 'node:fs'
import { promisify } from 'node:util'
import type { FileIdentity, OpenFile } from '../files/folder.ts'

export interface ImageFile {
  /** What the descriptor says now. */
  stat(): Promise<FileIdentity>
  readv(buffers: readonly NodeJS.ArrayBufferView[], position: number): Promise<{ bytesRead: number }>
  close(): Promise<void>
}

const scatter = promisify(readv)

export function imageFileOf(opened: OpenFile): ImageFile {
  return {
    stat: () => opened.stat(),
    readv: (buffers, position) => scatter(opened.fd, buffers, position),
    close: () => opened.close(),
  }
}
