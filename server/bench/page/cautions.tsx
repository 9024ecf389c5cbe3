/** What to mind before an image goes out: open until the first pull, then a fold. */
import type { JSX } from 'preact'
import { memo } from 'preact/compat'
import { Section } from './parts.tsx'

const CAUTIONS: readonly string[] = [
  'A wrong or interrupted image can leave a device dead. Do not cut its power while it writes.',
  'Have the rollback image ready, and access to the console.',
  'Devices that are powered or carried by this one go down with it: phones, and with them emergency calls, door control, alarms, cameras. Agree a window, tell those concerned, keep another way to call for help.',
  'Follow the maker’s instructions, the site’s change control and local codes. Electrical work belongs to licensed people.',
  'Fetchproof proves what left the laptop and what the device acknowledged. Only the device can say what it holds and installed.',
  'HTTP is not encrypted and addresses can be borrowed: on a hostile network compare the digest on the device.',
]

export const Cautions = memo(function Cautions({ open }: { open: boolean }): JSX.Element {
  const list = (
    <ul class="ruled cautions">
      {CAUTIONS.map((caution) => (
        <li key={caution}>{caution}</li>
      ))}
    </ul>
  )
  return (
    <Section id="cautions" title={open ? 'Before the first pull' : 'Cautions'}>
      {open ? (
        list
      ) : (
        <details>
          <summary>what to mind while devices pull</summary>
          {list}
        </details>
      )}
    </Section>
  )
})
