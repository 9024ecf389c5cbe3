/** Writing down for a device what it printed: a version or a note. What will stand in the ledger is shown first. */
import { useEffect, useId, useState } from 'preact/hooks'
import { type Bench, useBench } from './context.ts'
import { ChoiceField, Outside } from './parts.tsx'

type When = 'before' | 'after' | 'note'

interface WriteDownProps {
  readonly printed: string
  readonly device: string
  readonly devices: readonly string[]
  readonly onDevice: (device: string) => void
  /** `written`: what is to be written; rejects with a sentence where there is nothing. */
  readonly onWrite: (written: () => Promise<object>) => void
}

export const NOTHING_PASTED = 'Paste first what the device printed.'
const NO_VERSION =
  'No version stands out in it, and a digest is none. Put the version alone into the field above, or record the text as a note.'

export function WriteDown({ printed, device, devices, onDevice, onWrite }: WriteDownProps) {
  const { ask } = useBench()
  const [when, setWhen] = useState<When>('after')
  const id = useId()

  async function written(): Promise<object> {
    const text = printed.trim()
    if (text === '') throw new Error(NOTHING_PASTED)
    if (when === 'note') return { note: text }
    const version = await versionIn(text, ask)
    if (version === null) throw new Error(NO_VERSION)
    return { [when]: version }
  }

  return (
    <fieldset>
      <legend>Record</legend>
      <label for={`${id}-device`}>
        Device
        <input
          id={`${id}-device`}
          list={`${id}-devices`}
          value={device}
          autocomplete="off"
          onInput={(event) => onDevice(event.currentTarget.value)}
        />
      </label>
      <datalist id={`${id}-devices`}>
        {devices.map((name) => (
          <option key={name} value={name} />
        ))}
      </datalist>
      <ChoiceField label="It is" value={when} onValue={(chosen) => setWhen(chosen as When)}>
        <option value="before">the version before the pull</option>
        <option value="after">the version after the pull</option>
        <option value="note">a note</option>
      </ChoiceField>
      <button type="button" onClick={() => onWrite(written)}>
        Record
      </button>
      <ToBeWritten printed={printed} when={when} />
    </fieldset>
  )
}

function ToBeWritten({ printed, when }: { printed: string; when: When }) {
  const version = useVersionIn(printed)
  if (printed.trim() === '') return null
  if (when === 'note') return <p class="hint proposal">The text above will be recorded as it stands.</p>
  if (version === undefined) return <p class="hint proposal" />
  return (
    <p class="hint proposal" role="status">
      {version === null ? (
        NO_VERSION
      ) : (
        <>
          Will be recorded: <Outside text={version} mono />
        </>
      )}
    </p>
  )
}

/** Once somebody has stopped typing. */
const ASK_AFTER_MS = 300

/** undefined while it is not known. */
function useVersionIn(printed: string): string | null | undefined {
  const { ask } = useBench()
  const [answer, setAnswer] = useState<{ of: string; version: string | null }>()
  useEffect(() => {
    if (printed.trim() === '') return
    let dropped = false
    const timer = setTimeout(() => {
      versionIn(printed, ask).then(
        (version) => dropped || setAnswer({ of: printed, version }),
        () => undefined,
      )
    }, ASK_AFTER_MS)
    return () => {
      dropped = true
      clearTimeout(timer)
    }
  }, [printed, ask])
  return answer?.of === printed ? answer.version : undefined
}

/** What would be recorded as a version, chosen as `fetchproof observe` chooses it; null where none stands out. */
export async function versionIn(text: string, ask: Bench['ask']): Promise<string | null> {
  const { version } = await ask<{ version: string | null }>('/api/version', { text })
  return version
}
