/** The counts that matter, always in view, each leading to its section. */
import type { JSX } from 'preact'
import type { Snapshot } from '../snapshot-shape.ts'
import { handsIn } from './words.ts'

export function Contents({ snapshot }: { snapshot: Snapshot }): JSX.Element {
  const { imagesInAll, underWay, pullsOver, refusals } = snapshot
  const stalled = underWay.filter((pull) => pull.movement === 'stalled').length
  const hands = handsIn(snapshot.nextSteps)
  return (
    <nav class="contents" aria-label="On this page">
      <ul>
        {hands > 0 && (
          <li>
            <a class="hand" href="#next">
              {hands === 1 ? '1 needs a hand' : `${hands} need a hand`}
            </a>
          </li>
        )}
        <li>
          <a href="#images">
            {imagesInAll.ready} of {imagesInAll.known} images ready
          </a>
        </li>
        <li>
          <a href="#under-way">
            {underWay.length} under way{stalled > 0 ? `, ${stalled} stalled` : ''}
          </a>
        </li>
        <li>
          <a href="#pulls">{pullsOver} over</a>
        </li>
        {refusals.length > 0 && (
          <li>
            <a href="#refusals">refused</a>
          </li>
        )}
        <li>
          <a href="#printed">what a device printed</a>
        </li>
      </ul>
    </nav>
  )
}
