/** The whole page, from top to bottom: who is done, what needs a person, the devices, the images, and the rest. */
import type { JSX } from 'preact'
import { useCallback, useEffect, useMemo, useState } from 'preact/hooks'
import type { Snapshot } from '../snapshot-shape.ts'
import { Addresses } from './addresses.tsx'
import { Attention } from './attention.tsx'
import { Board } from './board.tsx'
import { Cautions } from './cautions.tsx'
import { type Bench, BenchContext } from './context.ts'
import { DeviceWords } from './device-words.tsx'
import type { DropQueue } from './drops.ts'
import { Head } from './head.tsx'
import { showImage } from './image-row.tsx'
import { Images, LineChooser } from './images.tsx'
import { offeredOf } from './lines.ts'
import type { LiveSnapshot } from './live-snapshot.ts'
import { CopyLine, Section } from './parts.tsx'
import { PullsOver } from './pulls.tsx'
import { Recorded } from './recorded.tsx'
import { Refusals } from './refusals.tsx'
import { ReplaceDialog, type ReplaceQuestion } from './replace-dialog.tsx'
import { TallyLine } from './tally.tsx'
import type { Permission } from './token.ts'
import { handsIn } from './words.ts'

interface BenchPageProps {
  readonly live: LiveSnapshot
  readonly permission: Permission
  readonly bench: Bench
  readonly drops: DropQueue
  readonly question: ReplaceQuestion | undefined
  /** For screen readers. */
  readonly announcement: string
}

export function BenchPage(props: BenchPageProps): JSX.Element {
  const { live, permission } = props
  const { snapshot } = live
  const title = titleOf(live)
  const [wanted, setWanted] = useState('')
  const [opened, setOpened] = useState<ReadonlySet<string>>(new Set())
  useEffect(() => {
    document.title = title === undefined ? 'Fetchproof' : `${title} - Fetchproof`
  }, [title])

  // The same from one drawing to the next, or five hundred rows were drawn again with each byte.
  const open = useCallback((name: string, whether: boolean): void => {
    setOpened((before) => {
      const next = new Set(before)
      if (whether) next.add(name)
      else next.delete(name)
      return next
    })
  }, [])

  /** What a step names is shown, whatever was looked for. */
  function show(name: string): void {
    open(name, true)
    setWanted('')
    setTimeout(() => showImage(name))
  }

  return (
    <BenchContext.Provider value={props.bench}>
      <a class="skip" href="#images">
        Go to the images
      </a>
      <Head live={live} permission={permission} />
      <main class={isStale(live) ? 'sheet stale' : 'sheet'}>
        {snapshot !== undefined && (
          <TallyLine
            board={snapshot.board}
            remaining={snapshot.remaining}
            lostAt={live.connection === 'lost' ? live.lostAt : undefined}
          />
        )}
        <Attention live={live} permission={permission} onShow={show} />
        {snapshot !== undefined && (
          <Sections
            snapshot={snapshot}
            drops={props.drops}
            wanted={wanted}
            onWanted={setWanted}
            opened={opened}
            onOpen={open}
          />
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

interface SectionsProps {
  readonly snapshot: Snapshot
  readonly drops: DropQueue
  readonly wanted: string
  readonly onWanted: (wanted: string) => void
  readonly opened: ReadonlySet<string>
  readonly onOpen: (name: string, open: boolean) => void
}

/** With each byte only `underWay` is another: all but the board keep what they drew. */
function Sections({ snapshot, drops, ...images }: SectionsProps): JSX.Element {
  const { program, board, underWay, pulls, addresses, pasteLines } = snapshot
  const [chosen, setChosen] = useState('')
  const [form, setForm] = useState(0)
  const pulled = snapshot.pullsOver > 0 || underWay.length > 0
  const offered = useMemo(() => offeredOf(addresses), [addresses])
  const address = offered.find((own) => own.address === chosen) ?? offered[0]
  const choice = useMemo(
    () => ({ form: [...pasteLines, null][form] ?? null, address, addresses }),
    [pasteLines, form, address, addresses],
  )
  const chooser = useMemo(
    () => (
      <LineChooser
        offered={offered}
        address={address}
        onAddress={setChosen}
        pasteLines={pasteLines}
        form={form}
        onForm={setForm}
      />
    ),
    [offered, address, pasteLines, form],
  )
  const devices = useMemo(() => devicesOf(board, pulls), [board, pulls])
  return (
    <>
      <Board board={board} underWay={underWay} images={snapshot.images} choice={choice} />
      <Images
        images={snapshot.images}
        inAll={snapshot.imagesInAll}
        notOffered={snapshot.notOffered}
        drops={drops}
        choice={choice}
        chooser={chooser}
        {...images}
      />
      {!pulled && <Cautions open />}
      <DeviceWords devices={devices} />
      <Recorded recorded={snapshot.recorded} />
      <PullsOver
        pulls={pulls}
        wrong={snapshot.wrongPulls}
        inAll={snapshot.pullsOver}
        fetches={snapshot.fetches}
      />
      <Refusals refusals={snapshot.refusals} />
      <Addresses addresses={addresses} firewall={snapshot.firewall} />
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

function devicesOf(board: Snapshot['board'], pulls: Snapshot['pulls']): string[] {
  const names = [
    ...board.rows.map(({ device }) => device),
    ...pulls.map(({ client }) => client.device ?? client.address),
  ]
  return [...new Set(names)].slice(0, 500)
}
