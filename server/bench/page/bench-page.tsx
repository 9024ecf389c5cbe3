/** The whole page, from top to bottom: who is done, what needs a person, the devices, the images, and the rest. */
import { useEffect, useMemo, useState } from 'preact/hooks'
import type { Snapshot } from '../snapshot-shape.ts'
import { Addresses } from './addresses.tsx'
import { Attention } from './attention.tsx'
import { Board } from './board.tsx'
import { Cautions } from './cautions.tsx'
import { type Bench, BenchContext } from './context.ts'
import { DeviceWords } from './device-words.tsx'
import { Head } from './head.tsx'
import { Images, type ImagesProps, useLineChoice } from './images.tsx'
import type { LiveSnapshot } from './live-snapshot.ts'
import { CopyLine, Section } from './parts.tsx'
import { PullsOver, Recorded, Refusals } from './past.tsx'
import { TallyLine } from './tally.tsx'
import type { Permission } from './token.ts'
import { handsIn } from './words.ts'

interface BenchPageProps {
  readonly live: LiveSnapshot
  readonly permission: Permission
  readonly bench: Bench
  /** For screen readers. */
  readonly announcement: string
}

export function BenchPage({ live, permission, bench, announcement }: BenchPageProps) {
  const { snapshot, connection, lostAt } = live
  const title = titleOf(live)
  const [sought, setSought] = useState<ImagesProps['sought']>()
  useEffect(() => {
    document.title = title === undefined ? 'Fetchproof' : `${title} - Fetchproof`
  }, [title])
  return (
    <BenchContext.Provider value={bench}>
      <a class="skip unseen" href="#images">
        Go to the images
      </a>
      <Head live={live} permission={permission} />
      <main class={isStale(live) ? 'sheet stale' : 'sheet'}>
        {snapshot !== undefined && (
          <TallyLine
            board={snapshot.board}
            remaining={snapshot.remaining}
            lostAt={connection === 'lost' ? lostAt : undefined}
          />
        )}
        <Attention live={live} permission={permission} onShow={(name) => setSought({ name })} />
        {snapshot !== undefined && <Sections snapshot={snapshot} sought={sought} />}
      </main>
      {/* An empty text would be written anew with each drawing, and heard. */}
      <p class="unseen" aria-live="polite">
        {announcement || null}
      </p>
    </BenchContext.Provider>
  )
}

/** What stands here may not be so any more. */
function isStale({ connection }: LiveSnapshot): boolean {
  return connection === 'lost' || connection === 'silent'
}

/** What stands before the name in the browser's list of tabs. */
function titleOf(live: LiveSnapshot): string | undefined {
  if (isStale(live)) return 'No answer'
  const steps = live.snapshot?.nextSteps ?? []
  if (steps.some(({ weight }) => weight === 'alarm')) return 'Wrong image'
  if (handsIn(steps) > 0) return 'Needs attention'
  return live.snapshot?.board.ended === true ? 'All pulled' : undefined
}

/** With each byte only `underWay` is another: all but the board keep what they drew. */
function Sections({ snapshot, sought }: { snapshot: Snapshot; sought: ImagesProps['sought'] }) {
  const { program, board, underWay, images, pulls, addresses, ledger } = snapshot
  const hasPulled = snapshot.pullsOver > 0 || underWay.length > 0
  const { choice, chooser } = useLineChoice(addresses, snapshot.pasteLines)
  const devices = useMemo(() => devicesOf(board, pulls), [board, pulls])
  return (
    <>
      <Board board={board} underWay={underWay} images={images} choice={choice} />
      <Images
        images={images}
        imagesInAll={snapshot.imagesInAll}
        notOffered={snapshot.notOffered}
        unused={snapshot.unused}
        choice={choice}
        chooser={chooser}
        sought={sought}
      />
      {!hasPulled && <Cautions open />}
      <DeviceWords devices={devices} />
      <Recorded recorded={snapshot.recorded} />
      <PullsOver
        pulls={pulls}
        wrongPulls={snapshot.wrongPulls}
        pullsOver={snapshot.pullsOver}
        fetches={snapshot.fetches}
      />
      <Refusals refusals={snapshot.refusals} />
      <Addresses addresses={addresses} firewall={snapshot.firewall} />
      {hasPulled && <Cautions open={false} />}
      <Section id="ledger" title="Ledger" aside={`Fetchproof ${program.version}`}>
        <p>
          {ledger.entries} entries. Keep this head: with it a check shows that nothing was cut off the end.
        </p>
        <CopyLine line={ledger.head} label="the head of the ledger" />
      </Section>
    </>
  )
}

function devicesOf(board: Snapshot['board'], pulls: Snapshot['pulls']): string[] {
  const names = [
    ...board.rows.map(({ device }) => device),
    ...pulls.map(({ client }) => client.device ?? client.address),
  ]
  return [...new Set(names)].slice(0, 500)
}
