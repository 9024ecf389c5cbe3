/** What a device printed: which image it means, which version it shows, and writing either into the ledger. */
import { memo } from 'preact/compat'
import { useId, useState } from 'preact/hooks'
import { messageOf } from '../../errors.ts'
import type { Matched, MatchFinding } from '../../trust/matching/match-finding.ts'
import { visible } from '../../wording/visible.ts'
import { READING_MS } from './answers.ts'
import { useBench } from './context.ts'
import { Outside, Section } from './parts.tsx'
import { NOTHING_PASTED, versionIn, WriteDown } from './write-down.tsx'

interface Said {
  readonly text: string
  readonly problem?: boolean
  /** On all that was pasted. */
  readonly verdict?: boolean
}

/** `devices`: names worth proposing, the sheet's devices and the clients that were seen. */
export const DeviceWords = memo(function DeviceWords({ devices }: { devices: readonly string[] }) {
  // Long: one form, mostly markup.
  const { ask, mayChange, answer } = useBench()
  const [device, setDevice] = useState('')
  const [printed, setPrinted] = useState('')
  const [findings, setFindings] = useState<readonly MatchFinding[]>([])
  const [said, setSaid] = useState<Said>()
  const id = useId()

  function attempt(doing: () => Promise<Said>): void {
    doing().then(setSaid, (error) => setSaid({ text: messageOf(error), problem: true }))
  }

  async function look(): Promise<Said> {
    if (printed.trim() === '') throw new Error(NOTHING_PASTED)
    const named = device.trim()
    const version = await versionIn(printed, ask)
    const asked = { text: printed, ...(named !== '' && { device: named }) }
    const matched = await ask<Matched>('/api/match', asked, READING_MS)
    setFindings(matched.findings)
    return { text: lookedText(matched, version), problem: matched.matched === false, verdict: true }
  }

  async function record(members: object, text: string): Promise<Said> {
    if (device.trim() === '') throw new Error('Name the device first.')
    await ask('/api/observed', { device, ...members })
    answer(text)
    return { text }
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
            setFindings([])
            setSaid(undefined)
          }}
        />
        <p class="buttons">
          <button type="button" class="main" onClick={() => attempt(look)}>
            Compare with the images
          </button>
        </p>
        <div role="status" class={said?.problem ? 'problem' : ''}>
          {said && <p class={said.verdict ? 'verdict' : ''}>{said.text}</p>}
        </div>
        {findings.length > 0 && (
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
                      attempt(() => record({ digest: digestOf(finding) }, 'The digest is recorded.'))
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
            onWrite={(written) =>
              attempt(async () => record(await written(), `Recorded for ${visible(device)}.`))
            }
          />
        )}
      </form>
    </Section>
  )
})

function digestOf({ algorithm, value, image }: MatchFinding): object {
  return { algorithm, value, ...(image !== null && { image }) }
}

function lookedText({ matched, words }: Matched, version: string | null): string {
  if (version !== null) return `${visible(words)} Version in it: ${visible(version)}.`
  return matched === true ? visible(words) : `${visible(words)} No version stands out in it.`
}
