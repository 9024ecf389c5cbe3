/** The whole page, from top to bottom. */
import type { JSX } from 'preact'
import { useEffect, useState } from 'preact/hooks'
import type { Snapshot } from '../snapshot-shape.ts'
import { Addresses } from './addresses.tsx'
import { Cautions } from './cautions.tsx'
import { Contents } from './contents.tsx'
import { type Bench, BenchContext } from './context.ts'
import { DeviceWords } from './device-words.tsx'
import type { DropQueue } from './drops.ts'
import { Head } from './head.tsx'
import { showImage } from './image-entry.tsx'
import { Images } from './images.tsx'
import type { News } from './news.ts'
import { NextSteps } from './next-steps.tsx'
import { CopyLine, Section } from './parts.tsx'
import { PullsOver, UnderWay } from './pulls.tsx'
import { Recorded } from './recorded.tsx'
import { Refusals } from './refusals.tsx'
import { type Question, ReplaceDialog } from './replace-dialog.tsx'
import type { Permission } from './token.ts'
import { VisitSheet } from './visit-sheet.tsx'
import { handsIn } from './words.ts'

export interface BenchPageProps {
  readonly news: News
  readonly permission: Permission
  readonly bench: Bench
  readonly drops: DropQueue
  readonly question: Question | undefined
  /** For screen readers. */
  readonly announcement: string
}

export function BenchPage(props: BenchPageProps): JSX.Element {
  const { news, permission } = props
  const { snapshot } = news
  const title = titleOf(news)
  const [wanted, setWanted] = useState('')
  useEffect(() => {
    document.title = title === undefined ? 'Fetchproof' : `${title} - Fetchproof`
  }, [title])

  /** What a step names is shown, whatever was looked for. */
  function show(name: string): void {
    if (showImage(name)) return
    setWanted('')
    setTimeout(() => showImage(name))
  }

  return (
    <BenchContext.Provider value={props.bench}>
      <a class="skip" href="#images">
        Go to the images
      </a>
      <Head news={news} permission={permission} />
      {snapshot !== undefined && <Contents snapshot={snapshot} />}
      <main class={isStale(news) ? 'sheet stale' : 'sheet'}>
        <NextSteps news={news} permission={permission} onShow={show} />
        {snapshot !== undefined && (
          <Sections snapshot={snapshot} drops={props.drops} wanted={wanted} onWanted={setWanted} />
        )}
      </main>
      <ReplaceDialog question={props.question} />
      <p class="unseen" aria-live="polite">
        {props.announcement === '' ? null : props.announcement}
      </p>
    </BenchContext.Provider>
  )
}

/** What stands here may not be so any more. */
function isStale({ connection }: News): boolean {
  return connection === 'lost' || connection === 'silent'
}

/** What stands before the name in the browser's list of tabs. */
function titleOf(news: News): string | undefined {
  if (isStale(news)) return 'No answer'
  const steps = news.snapshot?.nextSteps ?? []
  if (steps.some(({ weight }) => weight === 'alarm')) return 'Wrong image'
  return handsIn(steps) > 0 ? 'Needs a hand' : undefined
}

interface SectionsProps {
  readonly snapshot: Snapshot
  readonly drops: DropQueue
  readonly wanted: string
  readonly onWanted: (wanted: string) => void
}

function Sections({ snapshot, drops, wanted, onWanted }: SectionsProps): JSX.Element {
  const { program, underWay, pulls } = snapshot
  const pulled = snapshot.pullsOver > 0 || underWay.length > 0
  const wrong = new Set(snapshot.visit?.wrongPulls)
  return (
    <>
      {!pulled && <Cautions open />}
      <Images
        images={snapshot.images}
        inAll={snapshot.imagesInAll}
        notOffered={snapshot.notOffered}
        addresses={snapshot.addresses}
        pasteLines={snapshot.pasteLines}
        takesChecksums={program.takesChecksums}
        drops={drops}
        wanted={wanted}
        onWanted={onWanted}
      />
      <UnderWay pulls={underWay} wrong={wrong} stalledMs={program.stalledMs} />
      <VisitSheet visit={snapshot.visit} tally={snapshot.board.tally} outlook={snapshot.outlook} />
      <PullsOver pulls={pulls} wrong={wrong} inAll={snapshot.pullsOver} fetches={snapshot.fetches} />
      <DeviceWords takesChecksums={program.takesChecksums} devices={devicesOf(snapshot)} />
      <Recorded recorded={snapshot.recorded} />
      <Refusals refusals={snapshot.refusals} />
      <Addresses addresses={snapshot.addresses} firewall={snapshot.firewall} />
      {pulled && <Cautions open={false} />}
      <Section id="ledger" title="Ledger" aside={`Fetchproof ${program.version}`}>
        <p>
          {snapshot.ledger.entries} entries. Keep this head: with it a check shows that nothing was cut off
          the end.
        </p>
        <CopyLine line={snapshot.ledger.head} label="the head of the ledger" />
      </Section>
    </>
  )
}

function devicesOf({ visit, pulls, underWay }: Snapshot): string[] {
  const names = [
    ...(visit?.rows.map((row) => row.device) ?? []),
    ...[...underWay, ...pulls].map(({ client }) => client.device ?? client.address),
  ]
  return [...new Set(names)].slice(0, 200)
}
