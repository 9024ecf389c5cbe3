/** What the visit sheet allows a client to pull: to warn of the wrong image, and for `--only-planned`. */
import { addTo } from '../grouped.ts'
import type { ImageReference } from '../ledger/entries.ts'
import type { FoundDevice } from './device-finder.ts'
import type { ImageNames } from './planned-image.ts'
import { deviceKey, type PlannedRow } from './sheet-rows.ts'

type PlannedVerdict =
  | { readonly kind: 'planned' }
  /** `planned`: the cells of its rows, in order; empty when none is planned. */
  | { readonly kind: 'wrong'; readonly device: string; readonly planned: readonly string[] }
  | { readonly kind: 'not on the sheet'; readonly why: string }

export type AllowedImages = ReturnType<typeof createAllowedImages>

export function createAllowedImages(rows: readonly PlannedRow[]) {
  const byDevice = new Map<string, PlannedRow[]>()
  for (const row of rows) {
    // A device may pull what is planned for those behind it.
    for (const name of [row.device, ...(row.via === null ? [] : [row.via])]) {
      addTo(byDevice, deviceKey(name), row)
    }
  }
  return {
    /** `images`: of what is on offer. */
    judge(found: FoundDevice, image: ImageReference, images: ImageNames): PlannedVerdict {
      if (found.kind === 'none') return { kind: 'not on the sheet', why: 'it is not on the visit sheet' }
      if (found.kind === 'other hardware') {
        const why = `its address is the one of ${found.device} on the visit sheet, its hardware address is not`
        return { kind: 'not on the sheet', why }
      }
      const names = found.kind === 'one' ? [found.device] : found.devices
      const own = names.flatMap((name) => byDevice.get(deviceKey(name)) ?? [])
      const cells = own.flatMap((row) => [row.image, row.rollback]).filter((cell) => cell !== null)
      if (cells.some((cell) => images.names(cell, image))) return { kind: 'planned' }
      const planned = [...new Set(own.map((row) => row.image).filter((cell) => cell !== null))]
      return { kind: 'wrong', device: names.join(' or '), planned }
    },
  }
}
