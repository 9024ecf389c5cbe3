/** What `serve` says in words: first the images and the lines to paste, then a line for each thing that happens. */
import { setTimeout as wait } from 'node:timers/promises'
import { createFetchBook } from '../../delivery/fetches.ts'
import type { Entry } from '../../ledger/entries.ts'
import { outlookWords } from '../../wording/outlook-words.ts'
import { visible } from '../../wording/visible.ts'
import { happeningOf } from './happenings.ts'
import type { LiveView } from './live-view.ts'
import { sayNotOffered } from './not-offered-words.ts'
import { openingWords, preferredUrl } from './opening-words.ts'
import type { Serving } from './serving.ts'

const DRAW_MS = 250
/** A small image that something vouches for is ready by then, and stands in the first table as such. */
const BEFORE_TABLE_MS = 1_500

export async function showInWords({ depot, pageAddress, remarks }: Serving, view: LiveView): Promise<void> {
  const fetches = createFetchBook()
  const early: (() => void)[] = []
  /** Images that the first table shows as ready: their entries say nothing new. */
  const inTable = new Set<string>()
  let tableStands = false

  function whenTableStands(act: () => void): void {
    if (tableStands) act()
    else early.push(act)
  }

  function tell(entry: Entry): void {
    const fetch = fetches.take(entry)
    const ended = entry.kind === 'fetch-ended' ? fetch : undefined
    whenTableStands(() => {
      if (entry.kind === 'image' && inTable.delete(`${entry.sha256} ${entry.name}`)) return
      const happening = happeningOf(entry, {
        ended,
        pullOf: (id) => depot.pulls.pullOf(String(id)),
        nameOf: (client) => depot.visit.nameOf({ address: client.address, mac: depot.pulls.macOf(client) }),
        urlOf: (name) =>
          preferredUrl(depot.catalogue.get(name), [...depot.bases(), ...depot.loopbackBases()]),
      })
      if (happening === undefined) return
      view.print(happening.text)
      for (const { sentence, fetches: seen } of ended === undefined ? [] : depot.visit.hints()) {
        if (seen.at(-1) === ended?.id) view.print(`          A guess: ${visible(sentence)}`)
      }
      if (happening.bell) view.bell()
    })
  }

  depot.events.on('entries', (entries) => {
    for (const entry of entries) tell(entry)
  })
  depot.events.on('trouble', (message) =>
    whenTableStands(() => {
      view.print(`!  ${visible(message)}`)
      view.bell()
    }),
  )
  await Promise.race([depot.catalogue.idle(), wait(depot.settings.settleMs + BEFORE_TABLE_MS)])
  for (const line of openingWords(depot, pageAddress, remarks)) view.print(line)
  for (const { name, state, version } of depot.catalogue.images()) {
    if (state === 'ready') inTable.add(`${version?.sha256} ${name}`)
  }
  sayNotOffered(depot.catalogue, view.print)
  tableStands = true
  for (const act of early.splice(0)) act()
  const drawing = setInterval(() => {
    const live = depot.livePulls()
    const outlook = live.length === 0 ? null : depot.visit.outlook(live)
    view.draw(live, outlook === null ? undefined : outlookWords(outlook))
  }, DRAW_MS)
  drawing.unref()
}
