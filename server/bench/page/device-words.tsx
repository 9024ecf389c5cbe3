/** What a device printed: which image it means, which version it shows, and writing either into the ledger. */
import type { JSX } from 'preact'
import { useId, useState } from 'preact/hooks'
import type { Matched, MatchFinding } from '../../trust/matching/finding.ts'
import { visible } from '../../wording/visible.ts'
import { useBench } from './context.ts'
import { READING_MS } from './local-api.ts'
import { Outside, Section } from './parts.tsx'
import { type VersionAnswer, WriteDown } from './write-down.tsx'

interface Said {
  readonly text: string
  readonly problem: boolean
  /** On all that was pasted. */
  readonly verdict?: boolean
}

interface DeviceWordsProps {
  readonly takesChecksums: boolean
  /** Names worth proposing: the sheet's devices and the clients that were seen. */
  readonly devices: readonly string[]
}

export function DeviceWords({ takesChecksums, devices }: DeviceWordsProps): JSX.Element {
  const { ask, mayChange, answer } = useBench()
  const [device, setDevice] = useState('')
  const [printed, setPrinted] = useState('')
  const [findings, setFindings] = useState<readonly MatchFinding[]>()
  const [said, setSaid] = useState<Said>()
  const id = useId()

  async function attempt(doing: () => Promise<string | Said>): Promise<void> {
    try {
      const done = await doing()
      setSaid(typeof done === 'string' ? { text: done, problem: false } : done)
    } catch (error) {
      setSaid({ text: error instanceof Error ? error.message : String(error), problem: true })
    }
  }

  const look = (): Promise<void> =>
    attempt(async () => {
      if (printed.trim() === '') throw new Error('Paste first what the device printed.')
      const named = device.trim()
      const { version } = await ask<VersionAnswer>('/api/version', { text: printed })
      const matched = takesChecksums
        ? await ask<Matched>(
            '/api/match',
            { text: printed, ...(named !== '' && { device: named }) },
            READING_MS,
          )
        : undefined
      setFindings(matched?.findings)
      return { text: lookedText(matched, version), problem: matched?.matched === false, verdict: true }
    })

  const record = async (members: object, done: string): Promise<string> => {
    if (device.trim() === '') throw new Error('Name the device first.')
    await ask('/api/observed', { device, ...members })
    answer(done)
    return done
  }

  return (
    <Section id="printed" title="What a device printed" aside="the best evidence there is">
      <form class="printed" onSubmit={(event) => event.preventDefault()}>
        <label for={`${id}-text`}>Paste it here: a digest, or the text that shows its version</label>
        <textarea
          id={`${id}-text`}
          rows={4}
          spellcheck={false}
          value={printed}
          onInput={(event) => {
            setPrinted(event.currentTarget.value)
            setFindings(undefined)
            setSaid(undefined)
          }}
        />
        <p class="buttons">
          <button type="button" class="main" onClick={() => void look()}>
            {takesChecksums ? 'Compare with the images' : 'Find the version'}
          </button>
        </p>
        <div role="status" class={said?.problem === true ? 'problem' : ''}>
          {said !== undefined && <p class={said.verdict === true ? 'verdict' : ''}>{said.text}</p>}
        </div>
        {findings !== undefined && findings.length > 0 && (
          <ul class="findings">
            {findings.map((finding) => (
              <li key={finding.value} class={finding.counts && finding.outcome !== 'match' ? 'hand' : ''}>
                <code>{finding.value}</code>
                <Outside text={finding.words} />{' '}
                {mayChange && finding.outcome === 'match' && finding.algorithm !== null && (
                  <button
                    type="button"
                    class="quiet"
                    onClick={() =>
                      void attempt(() => record({ digest: digestOf(finding) }, 'The digest is recorded.'))
                    }
                  >
                    record it for the device
                  </button>
                )}
              </li>
            ))}
          </ul>
        )}
        {mayChange && (
          <WriteDown
            printed={printed}
            device={device}
            devices={devices}
            onDevice={setDevice}
            onWrite={(members) => void attempt(() => record(members, `Recorded for ${visible(device)}.`))}
            onProblem={(problem) => setSaid({ text: problem, problem: true })}
          />
        )}
      </form>
    </Section>
  )
}

function digestOf({ algorithm, value, image }: MatchFinding): object {
  return { algorithm, value, ...(image !== null && { image }) }
}

function lookedText(matched: Matched | undefined, version: string | null): string {
  const parts = [
    ...(matched === undefined ? [] : [visible(matched.words)]),
    ...(matched?.matched === true && version === null
      ? []
      : [version === null ? 'No version stands out in it.' : `Version in it: ${visible(version)}.`]),
  ]
  return parts.join(' ')
}
