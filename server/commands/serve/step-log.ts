/**
 * The program's own log at level `debug`: what doors, delivery, staging and ledger do, each under its own name, and
 * what is about a fetch with its number.
 */
import type { Logger } from 'pino'
import type { Depot } from '../../depot/depot.ts'
import type { Entry } from '../../ledger/entries.ts'

export function logSteps({ ledger, delivery, catalogue }: Depot, log: Logger): void {
  if (!log.isLevelEnabled('debug')) return
  const parts = new Map<string, Logger>()

  function partNamed(name: string, fetch?: number): Logger {
    const part = parts.get(name) ?? log.child({ part: name })
    parts.set(name, part)
    return fetch === undefined ? part : part.child({ fetch })
  }

  ledger.events.on('written', (entry) => {
    const { kind, at, prev, sum, ...members } = entry
    partNamed(partOf(entry), 'id' in entry ? entry.id : undefined).debug(members, kind)
  })
  ledger.events.on('synced', (entries) => {
    partNamed('ledger').debug({ to: entries.at(-1)?.seq }, 'durable')
  })
  delivery.events.on('seen', (id, { kind, ...seen }, phase) => {
    partNamed('delivery', id).debug({ ...seen, phase }, kind)
  })
  catalogue.events.on('changed', ({ name, state, progress, reason }) => {
    partNamed('staging').debug({ image: name, state, progress, reason }, 'image changed')
  })
}

function partOf(entry: Entry): string {
  switch (entry.kind) {
    case 'fetch-begun':
    case 'fetch-refused':
      return entry.door ?? 'door'
    case 'fetch-ended':
      return 'delivery'
    case 'image':
    case 'image-gone':
    case 'held':
    case 'lifted':
    case 'published':
      return 'staging'
    default:
      return 'ledger'
  }
}
