/** Whether the plan of a visit sheet can work, before anybody pulls: its images, and how its devices are told. Pure. */
import type { ImageReference } from '../ledger/entries.ts'
import { createNearestNames } from '../staging/nearest-name.ts'
import { createImageNames } from './planned-image.ts'
import { type PlannedRow, problemText, type SheetProblem } from './sheet-rows.ts'

/** In the folder, with what its state says; `null` when it is on offer. */
export interface PresentImage {
  readonly image: ImageReference
  readonly notOffered: string | null
}

export function checkPlan(
  rows: readonly PlannedRow[],
  columns: readonly string[],
  present: readonly PresentImage[],
) {
  const names = createImageNames(present.map(({ image }) => image))
  const nearest = createNearestNames()
  for (const { image } of present) nearest.set(image.name, image.name)
  const absent = (cell: string): string => {
    const name = nearest.find(cell)
    return `${cell} is not in the folder. Put it there, or correct the cell${name === undefined ? '' : `: the nearest name is ${name}`}.`
  }
  const check = (column: 'image' | 'rollback'): SheetProblem[] =>
    rows.flatMap(({ row, [column]: cell }) => {
      const found = cell === null ? undefined : names.find(cell)
      const notOffered = present.find(({ image }) => image === found)?.notOffered ?? null
      if (cell === null || (found !== undefined && notOffered === null)) return []
      const message = found === undefined ? absent(cell) : `${cell} is not on offer: ${notOffered}`
      return [{ row, column, message }]
    })
  const errors = [...missingImages(rows, columns), ...check('image'), ...nobodysRows(rows, columns)]
  return { errors: errors.map(problemText), warnings: check('rollback').map(problemText) }
}

function missingImages(rows: readonly PlannedRow[], columns: readonly string[]): SheetProblem[] {
  if (rows.length === 0 || columns.includes('image')) return []
  const message =
    'There is no column image, so that nothing is planned. Add it, and name an image on each row.'
  return [{ row: 0, column: 'image', message }]
}

/** A pull is a device's by its hardware address or its network address, or by the device that pulls for it. */
function nobodysRows(rows: readonly PlannedRow[], columns: readonly string[]): SheetProblem[] {
  const column = columns.includes('address') || columns.includes('mac') ? null : 'address'
  const needed = column === null ? 'Fill address or mac' : 'Add a column address or mac'
  return rows
    .filter(({ step, address, mac, via }) => step === 1 && address === null && mac === null && via === null)
    .map(({ row, device }) => ({
      row,
      column: 'address',
      message: `Nothing tells the pulls of ${device}: it has no address, no hardware address and no via. ${needed}.`,
    }))
}
