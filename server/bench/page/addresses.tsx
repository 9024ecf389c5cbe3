/** This machine's addresses: which one a device can use, and whether anything has come to it yet. */
import type { JSX } from 'preact'
import type { AddressView, FirewallLines } from '../snapshot-shape.ts'
import { CopyLine, Section } from './parts.tsx'

interface AddressesProps {
  readonly addresses: readonly AddressView[]
  readonly firewall: FirewallLines | null
}

export function Addresses({ addresses, firewall }: AddressesProps): JSX.Element {
  const offered = addresses.filter((own) => own.offerable)
  return (
    <Section id="addresses" title="Addresses" aside="A device uses the one in its own network.">
      {offered.length === 0 ? (
        <p>This machine has no network address but its own loopback. Only it can fetch.</p>
      ) : (
        <ul class="ruled addresses">
          {offered.map((own) => (
            <li key={own.address}>
              <span class="mono">{own.urls[0]?.url ?? own.address}</span>
              <span>
                {own.interface}, network <span class="mono">{own.cidr}</span>
                {marksOf(own)}
              </span>
              <span class="reached">{reachedText(own)}</span>
            </li>
          ))}
        </ul>
      )}
      {firewall !== null && (
        <details>
          <summary>If devices get no answer: this machine’s own firewall</summary>
          <p>This line opens it:</p>
          <CopyLine line={firewall.open} label="the line that opens the firewall" />
          <p>And this one closes it again, when you are done:</p>
          <CopyLine line={firewall.close} label="the line that closes the firewall" />
        </details>
      )}
    </Section>
  )
}

function marksOf({ tunnel, linkLocal }: AddressView): string {
  return `${tunnel ? ', a tunnel: refused without --allow-tunnels' : ''}${linkLocal ? ', link-local' : ''}`
}

function reachedText({ reached, urls }: AddressView): string {
  if (urls.length === 0) return 'not listened on'
  return reached ? 'connections have come' : 'no connection seen on this address yet'
}
