/** The form's head: which folder, which laptop, since when, and whether this page is still told anything. */
import type { JSX } from 'preact'
import { clockText, timeText } from '../../wording/units.ts'
import type { News } from './news.ts'
import { Outside } from './parts.tsx'
import type { Permission } from './token.ts'

export function Head({ news, permission }: { news: News; permission: Permission }): JSX.Element {
  const { snapshot } = news
  return (
    <header class="head">
      <h1>Fetchproof</h1>
      <dl class="boxes">
        <div class="wide">
          <dt>Staging folder</dt>
          <dd>{snapshot === undefined ? '…' : <Outside text={snapshot.program.folder} mono />}</dd>
        </div>
        <div>
          <dt>Laptop</dt>
          <dd>{snapshot === undefined ? '…' : <Outside text={snapshot.program.host} />}</dd>
        </div>
        <div>
          <dt>Serving since</dt>
          <dd>{snapshot === undefined ? '…' : timeText(snapshot.program.started)}</dd>
        </div>
        <div>
          <dt>Ledger</dt>
          <dd>
            {snapshot === undefined ? '…' : ledgerText(snapshot.ledger.entries, snapshot.ledger.writable)}
          </dd>
        </div>
        <div>
          <dt>This page</dt>
          <dd>
            {connectionText(news)}
            {permission === 'may change' || permission === 'unknown' ? '' : ', read-only'}
          </dd>
        </div>
      </dl>
    </header>
  )
}

function ledgerText(entries: number, writable: boolean): string {
  return `${entries} ${entries === 1 ? 'entry' : 'entries'}${writable ? '' : ', cannot be written'}`
}

function connectionText({ connection, lostAt, quietSeconds }: News): string {
  if (connection === 'live') return 'live'
  if (connection === 'silent') return `no word from the server for ${quietSeconds} s`
  if (connection === 'connecting') return 'asking the server'
  return lostAt === undefined ? 'no answer' : `no answer since ${clockText(lostAt.toISOString())}`
}
