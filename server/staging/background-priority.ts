/**
 * Lets a thread of background work step back, so that serving has the processor first when there is too little for
 * both: on two cores a format check took a third of the serving rate otherwise.
 */
import { setPriority } from 'node:os'

/** Raises no error where it is refused: the work is done all the same. */
const STEPPED_BACK = 10

/**
 * For the calling thread of this program. Only Linux keeps the nice value per thread (sched(7)); elsewhere it would
 * be that of the whole program, and nothing is done.
 */
export function lowerPriority(): void {
  if (process.platform !== 'linux') return
  try {
    setPriority(0, STEPPED_BACK)
  } catch {
    // Background work at full priority is slower serving, not an error.
  }
}
