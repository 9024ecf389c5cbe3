/** What `serve` says in words: first the images and the lines to paste, then a line for each thing that happens. */
import { setTimeout as wait } from 'node:timers/promises'
import { createFetchRecords } from '../../delivery/fetches.ts'
import type { Entry } from '../../ledger/entries.ts'
import { visible } from '../../wording/visible.ts'
import type { Tone } from '../printing.ts'
import { entryLine, timedLine, WORDS_FROM } from './entry-lines.ts'
import type { LiveView } from './live-view.ts'
import { sayNotOffered } from './not-offered-words.ts'
import { openingWords } from './opening-words.ts'
import type { Overview } from './overview.ts'
import { preferredUrl } from './paste-lines.ts'
import type { Serving } from './serving.ts'

const DRAW_MS = 250
/** A small image that something vouches for is ready by then, and stands in the first table as such. */
const BEFORE_TABLE_MS = 1_500

export async function showInWords(
  { depot, pageAddress, remarks }: Serving,
  view: LiveView,
  overview: Overview,
): Promise<void> {
  // Long: what is said waits for the first table; all of its functions look at that.
  const fetches = createFetchRecords()
  const early: (() => void)[] = []
  /** Images that the first table shows as ready or held: their entries say nothing new. */
  const inTable = new Set<string>()
  let tableStands = false

  function say(what: string, words: string, tone?: Tone): void {
    view.print(timedLine(new Date().toISOString(), what, words), tone, WORDS_FROM)
  }

  function whenTableStands(act: () => void): void {
    if (tableStands) act()
    else early.push(act)
  }

  function isInTable(entry: Entry): boolean {
    if (entry.kind !== 'image' && entry.kind !== 'held') return false
    return inTable.delete(`${entry.kind} ${entry.sha256} ${entry.name}`)
  }

  function tell(entry: Entry): void {
    const fetch = fetches.apply(entry)
    const ended = entry.kind === 'fetch-ended' ? fetch : undefined
    whenTableStands(() => {
      if (isInTable(entry)) return
      const line = entryLine(entry, {
        ended,
        pullOf: (id) => depot.pulls.pullOf(String(id)),
        nameOf: (client) => depot.visit.nameOf({ address: client.address, mac: depot.pulls.macOf(client) }),
        urlOf: (name) =>
          preferredUrl(depot.catalogue.get(name), [...depot.bases(), ...depot.loopbackBases()]),
      })
      if (line === undefined) return
      view.print(line.text, line.tone, WORDS_FROM)
      for (const { sentence, fetches: seen } of ended === undefined ? [] : depot.visit.hints()) {
        if (seen.at(-1) === ended?.id) say('a guess', visible(sentence))
      }
      if (line.bell) view.bell()
    })
  }

  depot.events.on('entries', (entries) => {
    for (const entry of entries) tell(entry)
  })
  depot.events.on('trouble', (message) =>
    whenTableStands(() => {
      say('attention', visible(message), 'alarm')
      view.bell()
    }),
  )
  await Promise.race([depot.catalogue.idle(), wait(depot.settings.settleMs + BEFORE_TABLE_MS)])
  for (const line of openingWords(depot, { pageAddress, remarks, board: overview.board() }, view.columns)) {
    view.print(line)
  }
  for (const { name, state, version } of depot.catalogue.images()) {
    if (state === 'ready' || state === 'held') inTable.add(`image ${version?.sha256} ${name}`)
    if (state === 'held') inTable.add(`held ${version?.sha256} ${name}`)
  }
  sayNotOffered(depot.catalogue, view.print)
  tableStands = true
  for (const act of early.splice(0)) act()
  if (view.columns !== undefined) setInterval(() => view.draw(overview.foot()), DRAW_MS).unref()
}
