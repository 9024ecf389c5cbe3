/** All doors, each to be rehearsed by its own client. */
import type { Door } from '../../depot/door.ts'
import { HTTP_DOOR } from '../../image-port/door.ts'
import { TFTP_DOOR } from '../../tftp-port/door.ts'

const DOORS: readonly Door[] = [HTTP_DOOR, TFTP_DOOR]

/** The one that a URL leads to. */
export function doorOf(url: string): Door | undefined {
  return DOORS.find(({ name }) => url.toLowerCase().startsWith(`${name}:`))
}
