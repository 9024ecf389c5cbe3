/** Writing down for a device what it printed: a version or a note. What will stand in the ledger is shown first. */
import type { JSX } from 'preact'
import { useEffect, useId, useState } from 'preact/hooks'
import { messageOf } from '../../errors.ts'
import { useBench } from './context.ts'
import { ChoiceField, Outside } from './parts.tsx'

/** `version`: what would be recorded as one, chosen as `fetchproof observe` chooses it. */
export interface VersionAnswer {
  readonly version: string | null
}

type When = 'before' | 'after' | 'note'

interface WriteDownProps {
  readonly printed: string
  readonly device: string
  readonly devices: readonly string[]
  readonly onDevice: (device: string) => void
  readonly onWrite: (members: object) => void
  readonly onProblem: (problem: string) => void
}

const NOTHING_PASTED = 'Paste first what the device printed.'
const NO_VERSION =
  'No version stands out in it, and a digest is none. Put the version alone into the field above, or record the text as a note.'

export function WriteDown(props: WriteDownProps): JSX.Element {
  const { ask } = useBench()
  const [when, setWhen] = useState<When>('after')
  const id = useId()

  async function write(): Promise<void> {
    const text = props.printed.trim()
    if (text === '') return props.onProblem(NOTHING_PASTED)
    if (when === 'note') return props.onWrite({ note: text })
    try {
      const { version } = await ask<VersionAnswer>('/api/version', { text })
      if (version === null) props.onProblem(NO_VERSION)
      else props.onWrite({ [when]: version })
    } catch (error) {
      props.onProblem(messageOf(error))
    }
  }

  return (
    <fieldset>
      <legend>Record</legend>
      <label for={`${id}-device`}>
        Device
        <input
          id={`${id}-device`}
          list={`${id}-devices`}
          value={props.device}
          autocomplete="off"
          onInput={(event) => props.onDevice(event.currentTarget.value)}
        />
      </label>
      <datalist id={`${id}-devices`}>
        {props.devices.map((name) => (
          <option key={name} value={name} />
        ))}
      </datalist>
      <ChoiceField label="It is" value={when} onValue={(chosen) => setWhen(chosen as When)}>
        <option value="before">the version before the pull</option>
        <option value="after">the version after the pull</option>
        <option value="note">a note</option>
      </ChoiceField>
      <button type="button" onClick={() => void write()}>
        Record
      </button>
      <ToBeWritten printed={props.printed} when={when} />
    </fieldset>
  )
}

function ToBeWritten({ printed, when }: { printed: string; when: When }): JSX.Element | null {
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
      ask<VersionAnswer>('/api/version', { text: printed }).then(
        ({ version }) => dropped || setAnswer({ of: printed, version }),
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
