/** What a person may do about the hold of an image: withdraw it, or let it be served all the same. */
import type { JSX } from 'preact'
import { visible } from '../../wording/visible.ts'
import type { ShownImage } from '../snapshot-shape.ts'
import { Act } from './act.tsx'
import { useBench } from './context.ts'

/** `onGone`: the button that was pressed goes away. */
export function HoldActs({ image, onGone }: { image: ShownImage; onGone: () => void }): JSX.Element | null {
  const { ask } = useBench()
  const { name, state, sha256 } = image
  if (sha256 === null) return null
  if (state === 'held') {
    return (
      <Act
        opener="lift the hold"
        about={visible(name)}
        label="Why may this image be served all the same?"
        hint="It is held for a reason that stands above. Your name and your words go into the ledger, for this version and this reason alone."
        submit="Lift the hold"
        done="The hold is lifted."
        act={(reason) => ask('/api/lift', { name, reason })}
        onDone={onGone}
      />
    )
  }
  if (state !== 'ready') return null
  return (
    <Act
      opener="hold it back"
      about={visible(name)}
      label="Why must this image not be served?"
      hint="No device can fetch it then, and fetches of it that are under way are reset. Your name and your words go into the ledger."
      submit="Hold it back"
      done="It is held."
      act={(reason) => ask('/api/hold', { name, reason })}
      onDone={onGone}
    />
  )
}
