/** The form's head: which folder, which laptop, since when, and whether this page is still told anything. */
import type { ComponentChildren } from 'preact'
import { clockText } from '../../wording/units.ts'
import type { LedgerView } from '../snapshot-shape.ts'
import type { LiveSnapshot } from './live-snapshot.ts'
import { Outside } from './parts.tsx'
import type { Permission } from './token.ts'

export function Head({ live, permission }: { live: LiveSnapshot; permission: Permission }) {
  const { snapshot } = live
  return (
    <header class="head">
      <h1>Fetchproof</h1>
      <dl class="boxes">
        <Box label="Folder">{snapshot && <Outside text={snapshot.program.folder} mono />}</Box>
        <Box label="Laptop">{snapshot && <Outside text={snapshot.program.host} />}</Box>
        <Box label="Since">{snapshot && clockText(snapshot.program.started)}</Box>
        <Box label="Ledger">{snapshot && ledgerText(snapshot.ledger)}</Box>
        <Box label="This page">
          {connectionText(live)}
          {permission === 'may change' || permission === 'unknown' ? '' : ', read-only'}
        </Box>
      </dl>
      <nav aria-label="On this page">
        <a href="#devices">devices</a> <a href="#images">images</a> <a href="#printed">printed</a>{' '}
        <a href="#pulls">finished</a> <a href="#addresses">firewall</a>
      </nav>
    </header>
  )
}

/** An ellipsis stands for what is not known yet. */
function Box({ label, children = '…' }: { label: string; children: ComponentChildren }) {
  return (
    <div>
      <dt>{label}</dt>
      <dd>{children}</dd>
    </div>
  )
}

function ledgerText({ entries, writable }: LedgerView): string {
  return `${entries} ${entries === 1 ? 'entry' : 'entries'}${writable ? '' : ', cannot be written'}`
}

function connectionText({ connection, lostAt, quietSeconds }: LiveSnapshot): string {
  if (connection === 'live') return 'live'
  if (connection === 'silent') return `no word from the server for ${quietSeconds} s`
  if (connection === 'connecting') return 'asking the server'
  return lostAt === undefined ? 'no answer' : `no answer since ${clockText(lostAt.toISOString())}`
}
