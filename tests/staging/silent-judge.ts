/** A judge that has nothing to say of any image, and knows the names of checksum files. */
import { type Judge, NO_FORMAT, NO_STANDING } from '../../server/staging/judge.ts'
import { isChecksumFile } from '../../server/trust/published/names.ts'

export const SILENT_JUDGE: Judge = Object.freeze({
  judge: async () => ({ published: NO_STANDING, format: NO_FORMAT, notes: [], holds: [], sure: false }),
  isChecksumFile,
  checksumFileChanged: () => false,
})
