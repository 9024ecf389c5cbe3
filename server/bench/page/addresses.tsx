/** This machine's addresses: which one a device can use, and whether anything has come to it yet. */
import { memo } from 'preact/compat'
import type { AddressView, Snapshot } from '../snapshot-shape.ts'
import { CopyLine, Section } from './parts.tsx'

type AddressesProps = Pick<Snapshot, 'addresses' | 'firewall'>

export const Addresses = memo(function Addresses({ addresses, firewall }: AddressesProps) {
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
              <span>{reachedText(own)}</span>
            </li>
          ))}
        </ul>
      )}
      {firewall.length > 0 && (
        <details>
          <summary>If devices get no answer: this machine’s own firewall</summary>
          {firewall.map(({ program, open, close, note }) => (
            <div key={program}>
              <p>
                With <span class="mono">{program}</span>, this line opens it:
              </p>
              <CopyLine line={open} label={`the line that opens the firewall with ${program}`} />
              <p>And this one closes it again, when you are done:</p>
              <CopyLine line={close} label={`the line that closes the firewall with ${program}`} />
              <p class="hint">{note}</p>
            </div>
          ))}
        </details>
      )}
    </Section>
  )
})

function marksOf({ tunnel, linkLocal }: AddressView): string {
  return `${tunnel ? ', a tunnel: refused without --allow-tunnels' : ''}${linkLocal ? ', link-local' : ''}`
}

function reachedText({ reached, urls }: AddressView): string {
  if (urls.length === 0) return 'not listened on'
  return reached ? 'connections have come' : 'no connection seen on this address yet'
}
