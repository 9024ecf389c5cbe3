/** What the foot of the terminal shows, out of the same functions as the page: the tally, what needs a person, what moves. */
import { boardOf } from '../../bench/board.ts'
import { createLook } from '../../bench/depot-look.ts'
import { nextSteps } from '../../bench/next-steps.ts'
import type { BoardView, NextStep } from '../../bench/snapshot-shape.ts'
import type { Depot } from '../../depot/depot.ts'
import { remainingWords } from '../../wording/remaining-words.ts'
import type { Foot } from './live-view.ts'

export type Overview = ReturnType<typeof createOverview>

/** Percent and rates are new each time; who is done and what is wrong are looked at that often at most. */
const LOOKED_AT_MS = 1_000
/** The lines above say these. */
const SAID_ABOVE = { troubles: [], firewall: [], hints: [] }

export function createOverview(depot: Depot) {
  const look = createLook(depot)
  let lookedAt = Number.NEGATIVE_INFINITY
  let tally = ''
  let attention: Foot['attention'] = []

  /** Those under way are asked for once: their rates are taken from one asking to the next. */
  function underWayNow() {
    if (performance.now() - lookedAt < LOOKED_AT_MS) return depot.livePulls()
    lookedAt = performance.now()
    const facts = look()
    const { underWay, over } = facts
    tally = boardOf(facts).tally
    attention = nextSteps({ ...facts, ...SAID_ABOVE, pulls: [...over, ...underWay] }).flatMap(attentionOf)
    return underWay
  }

  return {
    foot(): Foot {
      const underWay = underWayNow()
      const remaining = underWay.length === 0 ? null : depot.visit.remaining(underWay)
      const pulls = underWay.filter(({ movement }) => movement !== undefined)
      const isLeft = remaining !== null && (remaining.bytes > 0 || remaining.absent.length > 0)
      return { tally, attention, pulls, remaining: isLeft ? remainingWords(remaining) : null }
    },
    board: (): BoardView => boardOf(look()),
  }
}

/** A long stall is no more than a remark; what else is merely worth a look stays on the page. */
function attentionOf({ weight, text, key }: NextStep): Foot['attention'] {
  if (weight === 'alarm') return [{ text, tone: 'alarm' }]
  if (weight === 'act') return [{ text, tone: 'caution' }]
  return key.startsWith('stall ') ? [{ text, tone: 'plain' }] : []
}
