/** What the foot of the terminal shows, out of the same functions as the page: the tally, what needs a person, what moves. */
import { boardOf } from '../../bench/board.ts'
import { longStalls } from '../../bench/device-advice.ts'
import { nextSteps } from '../../bench/next-steps.ts'
import { addressesOf, createImageViews, createPullViews, recentOf } from '../../bench/snapshot.ts'
import type { BoardView, NextStep } from '../../bench/snapshot-shape.ts'
import { createVisitView } from '../../bench/visit-view.ts'
import type { LivePull } from '../../delivery/live-pulls.ts'
import type { Depot } from '../../depot/depot.ts'
import { remainingWords } from '../../wording/remaining-words.ts'
import type { Foot } from './foot.ts'

export type Overview = ReturnType<typeof createOverview>

/** Percent and rates are new each time; who is done and what is wrong are looked at that often at most. */
const LOOKED_AT_MS = 1_000

export function createOverview(depot: Depot) {
  const visitView = createVisitView(depot.visit)
  const imageViews = createImageViews()
  const pullViews = createPullViews(depot)
  const started = new Date().toISOString()
  let lookedAt = Number.NEGATIVE_INFINITY
  let tally = ''
  let attention: Foot['attention'] = []

  function board(underWay: readonly LivePull[], over: ReturnType<typeof pullViews>['over']): BoardView {
    const own = depot.own().filter(({ offerable }) => offerable)
    return boardOf({ visit: visitView(), underWay, over, own })
  }

  function steps(underWay: readonly LivePull[], over: ReturnType<typeof pullViews>['over']): NextStep[] {
    const bases = depot.bases()
    return nextSteps({
      folder: depot.settings.folder,
      images: imageViews(depot.catalogue.images(), bases),
      addresses: addressesOf(depot, bases),
      refusals: recentOf(depot.recentFetches()).refusals,
      // The lines above say these.
      troubles: [],
      firewall: [],
      hints: [],
      ledgerWritable: depot.ledger.writable,
      visit: visitView(),
      pulls: [...over, ...underWay],
      stalls: longStalls(underWay, Date.now()),
      started,
    })
  }

  return {
    foot(): Foot {
      const { underWay, over } = pullViews()
      if (performance.now() - lookedAt >= LOOKED_AT_MS) {
        lookedAt = performance.now()
        tally = board(underWay, over).tally
        attention = steps(underWay, over).flatMap(attentionOf)
      }
      const remaining = underWay.length === 0 ? null : depot.visit.remaining(underWay)
      const pulls = underWay.filter(({ movement }) => movement !== undefined)
      const isLeft = remaining !== null && (remaining.bytes > 0 || remaining.absent.length > 0)
      return { tally, attention, pulls, remaining: isLeft ? remainingWords(remaining) : null }
    },
    board(): BoardView {
      const { underWay, over } = pullViews()
      return board(underWay, over)
    },
  }
}

/** A long stall is no more than a remark; what else is merely worth a look stays on the page. */
function attentionOf({ weight, text, key }: NextStep): Foot['attention'] {
  if (weight === 'alarm') return [{ text, tone: 'alarm' }]
  if (weight === 'act') return [{ text, tone: 'caution' }]
  return key.startsWith('stall ') ? [{ text, tone: 'plain' }] : []
}
