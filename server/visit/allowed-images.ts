/** What the visit sheet allows a client to pull, for `--only-planned`; and a wrong image in words, for terminal and page. */

import type { ImageReference } from '../ledger/entries.ts'
import { addTo } from '../lists-by-key.ts'
import type { FoundDevice } from './device-finder.ts'
import type { ImageNames } from './planned-image.ts'
import { deviceKey, type PlannedRow } from './sheet-rows.ts'

type PlannedVerdict =
  | { readonly kind: 'planned' }
  /** `planned`: the cells of its rows, in order; empty when none is planned. */
  | { readonly kind: 'wrong'; readonly device: string; readonly planned: readonly string[] }
  | { readonly kind: 'not on the sheet'; readonly why: string }

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
    judge(
      { devices, otherHardware }: FoundDevice,
      image: ImageReference,
      images: ImageNames,
    ): PlannedVerdict {
      if (otherHardware !== undefined) {
        const why = `its address is the one of ${otherHardware.device} on the visit sheet, its hardware address is not`
        return { kind: 'not on the sheet', why }
      }
      if (devices.length === 0) return { kind: 'not on the sheet', why: 'it is not on the visit sheet' }
      const own = devices.flatMap((name) => byDevice.get(deviceKey(name)) ?? [])
      const cells = own.flatMap((row) => [row.image, row.rollback]).filter((cell) => cell !== null)
      if (cells.some((cell) => images.names(cell, image))) return { kind: 'planned' }
      const planned = [...new Set(own.map((row) => row.image).filter((cell) => cell !== null))]
      return { kind: 'wrong', device: devices.join(' or '), planned }
    },
  }
}

/** Who, what it got and what is planned. */
interface WrongImage {
  /** `It` in a row of its own. */
  readonly device: string
  readonly image: string
  /** The images of its rows, in order. */
  readonly planned: readonly string[]
}

/** While it is under way: the moment to stop it. */
export function wrongImageUnderWay(wrong: WrongImage & { readonly address: string }): string {
  return `${wrong.device} (${wrong.address}) pulls ${wrong.image}; ${plannedWords(wrong)} Stop it there before it writes.`
}

/** Once it is over. */
export function wrongImageFetched(wrong: WrongImage): string {
  return `${wrong.device} fetched ${wrong.image}; ${plannedWords(wrong)}`
}

export const WRONG_IMAGE_ADVICE = 'Look at the device before it restarts.'

function plannedWords({ planned }: WrongImage): string {
  return `planned is ${planned.length === 0 ? 'none' : planned.join(', then ')}.`
}
