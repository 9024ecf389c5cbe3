/** What to mind before an image goes out: open until the first pull, then a fold. */
import { memo } from 'preact/compat'
import { CAUTIONS } from '../../wording/cautions.ts'
import { Section } from './parts.tsx'

const ALL: readonly string[] = [
  ...CAUTIONS,
  'Fetchproof proves what left the laptop and what the device acknowledged. Only the device can say what it holds and installed.',
  'HTTP is not encrypted and addresses can be borrowed: on a hostile network compare the digest on the device.',
]

export const Cautions = memo(function Cautions({ open }: { open: boolean }) {
  const list = (
    <ul class="ruled cautions">
      {ALL.map((caution) => (
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
