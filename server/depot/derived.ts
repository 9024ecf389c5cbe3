/**
 * Everything that entries make, and the one way in for them: each part takes each entry once, in the order of the
 * ledger, at the same moment in a running server as in a replay. So what a server knows is what its ledger says.
 *
 * There are two such moments, since an entry is first written and durable only up to a second later:
 *
 *   ahead   at the write: what decides the next request (a device resumes milliseconds after it was cut off) or what
 *           is written next (no image is recorded twice). Nothing of it is shown.
 *   apply   once it is durable: all that is shown or concluded.
 *
 * A part stands on one side alone and asks only parts of its own side: what it made of an entry would else depend on
 * how busy the disk was, and a replay would make something else of it.
 */
import { PULLS_KEPT } from '../defaults.ts'
import { createHeldParts } from '../delivery/held-parts.ts'
import { createPullRecords } from '../delivery/pulls.ts'
import type { FetchRecord } from '../delivery/records.ts'
import type { Entry } from '../ledger/entries.ts'
import { createStrikes } from '../ledger/strikes.ts'
import { createImageHistory } from '../staging/image-history.ts'
import type { SeenClient } from '../visit/device-finder.ts'
import { createVisitEvidence } from '../visit/visit-evidence.ts'

export type Derived = ReturnType<typeof createDerived>

const RECENT_FETCHES = 200

/** `deviceOf`: name of a client on the visit sheet. */
export function createDerived(deviceOf: (client: SeenClient) => string | null) {
  const recent: FetchRecord[] = []
  const lost: FetchRecord[] = []
  const evidence = createVisitEvidence()
  const pulls = createPullRecords({
    fetchDone(fetch) {
      evidence.applyFetch(fetch)
      recent.push(fetch)
      if (fetch.ending === 'lost-track') lost.push(fetch)
      if (recent.length > RECENT_FETCHES) recent.shift()
    },
    deviceOf,
    keepLatest: PULLS_KEPT,
  })
  return {
    ahead: createAhead(),
    /** Takes the next durable entry. */
    apply(entry: Entry): void {
      if (entry.kind === 'opened') lost.length = 0
      pulls.apply(entry)
      evidence.apply(entry)
    },
    pulls,
    /** The latest fetches and refusals that ended, newest last. */
    recent,
    /** What a server that died lost track of; empty once the next run has opened, whose opening entry is later. */
    lost,
    /** What the standings of devices rest on beside pulls. */
    evidence,
  }
}

/** What all written entries have made, durable or not. */
function createAhead() {
  const history = createImageHistory()
  const parts = createHeldParts()
  const strikes = createStrikes()
  let sheet: string | undefined
  return {
    apply(entry: Entry): void {
      history.apply(entry)
      parts.apply(entry)
      strikes.apply(entry)
      if (entry.kind === 'sheet') sheet = entry.sha256
    },
    history,
    parts,
    strikes,
    /** SHA-256 of the visit sheet that was recorded last. */
    sheetOnRecord: (): string | undefined => sheet,
  }
}
