/** What `serve` says in words: first the images and the lines to paste, then a line for each thing that happens. */
import { setTimeout as wait } from 'node:timers/promises'
import { createFetchRecords } from '../../delivery/fetches.ts'
import type { FetchRecord } from '../../delivery/records.ts'
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

export function showInWords(
  { depot, pageAddress, remarks }: Serving,
  view: LiveView,
  overview: Overview,
): void {
  // Long: the first table, and what is said from then on.
  const fetches = createFetchRecords()
  // Whatever is said waits for the first table.
  const tableStands = printTable()

  /** Resolves with what it shows of images as ready or held: their entries say nothing new. */
  async function printTable(): Promise<Set<string>> {
    await Promise.race([depot.catalogue.idle(), wait(depot.settings.settleMs + BEFORE_TABLE_MS)])
    const opening = { pageAddress, remarks, board: overview.board() }
    for (const line of openingWords(depot, opening, view.columns)) view.print(line)
    sayNotOffered(depot.catalogue, view.print)
    if (view.columns !== undefined) setInterval(() => view.draw(overview.foot()), DRAW_MS).unref()
    const known = new Set<string>()
    for (const { name, state, version } of depot.catalogue.images()) {
      if (state === 'ready' || state === 'held') known.add(`image ${version?.sha256} ${name}`)
      if (state === 'held') known.add(`held ${version?.sha256} ${name}`)
    }
    return known
  }

  function say(what: string, words: string, tone?: Tone): void {
    view.print(timedLine(new Date().toISOString(), what, words), tone, WORDS_FROM)
  }

  function tell(entry: Entry, fetch: FetchRecord | undefined): void {
    const ended = entry.kind === 'fetch-ended' ? fetch : undefined
    const line = entryLine(entry, {
      ended,
      pullOf: (id) => depot.pulls.pullOf(String(id)),
      nameOf: (client) => depot.visit.nameOf({ address: client.address, mac: depot.pulls.macOf(client) }),
      urlOf: (name) => preferredUrl(depot.catalogue.get(name), [...depot.bases(), ...depot.loopbackBases()]),
    })
    if (line === undefined) return
    view.print(line.text, line.tone, WORDS_FROM)
    for (const { sentence, fetches: seen } of ended === undefined ? [] : depot.visit.hints()) {
      if (seen.at(-1) === ended?.id) say('a guess', visible(sentence))
    }
    if (line.bell) view.bell()
  }

  depot.events.on('entries', (entries) => {
    for (const entry of entries) {
      const fetch = fetches.apply(entry)
      void tableStands.then((known) => {
        const isKnown =
          'sha256' in entry && 'name' in entry && known.delete(`${entry.kind} ${entry.sha256} ${entry.name}`)
        if (!isKnown) tell(entry, fetch)
      })
    }
  })
  depot.events.on('trouble', (message) => {
    void tableStands.then(() => {
      say('attention', visible(message), 'alarm')
      view.bell()
    })
  })
}
