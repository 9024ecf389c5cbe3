/** What a device printed: which image it means, which version it shows, and writing either into the ledger. */
import type { JSX } from 'preact'
import { useId, useState } from 'preact/hooks'
import { visible } from '../../report/visible.ts'
import type { Finding, Matched } from '../../staging/matching/finding.ts'
import { isDigest } from '../../staging/published/algorithm.ts'
import { useBench } from './context.ts'
import { Outside, Section } from './parts.tsx'

/** What is longer is no version that somebody typed. */
const LONGEST_VERSION = 64

type When = 'before' | 'after' | 'note'

interface Answers {
  readonly findings: readonly Finding[] | undefined
  readonly version: string | undefined
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
  const [when, setWhen] = useState<When>('after')
  const [answers, setAnswers] = useState<Answers>()
  const [said, setSaid] = useState<{ text: string; problem: boolean }>()
  const id = useId()

  async function attempt(doing: () => Promise<string>): Promise<void> {
    try {
      const text = await doing()
      setSaid({ text, problem: false })
    } catch (error) {
      setSaid({ text: error instanceof Error ? error.message : String(error), problem: true })
    }
  }

  const look = (): Promise<void> =>
    attempt(async () => {
      if (printed.trim() === '') throw new Error('Paste first what the device printed.')
      const found = await ask<{ picked: { version: string } | null }>('/api/version', { text: printed })
      const matched = takesChecksums ? await ask<Matched>('/api/match', { text: printed }) : undefined
      setAnswers({ findings: matched?.findings, version: found.picked?.version })
      return lookedText(matched, found.picked?.version)
    })

  async function written(members: object, done: string): Promise<string> {
    if (device.trim() === '') throw new Error('Name the device first.')
    await ask('/api/observed', { device, ...members })
    answer(done)
    return done
  }

  /** The version alone goes on record, however much was pasted: what else a device prints is a note. */
  const writeDown = (): Promise<void> =>
    attempt(async () => {
      const text = printed.trim()
      if (text === '') throw new Error('Paste first what the device printed.')
      const kept = when === 'note' ? text : await versionIn(text)
      return written({ [when]: kept }, `Written down for ${visible(device)}: ${visible(kept)}`)
    })

  async function versionIn(text: string): Promise<string> {
    const { picked } = await ask<{ picked: { version: string } | null }>('/api/version', { text })
    if (picked !== null) return picked.version
    if (text.length <= LONGEST_VERSION && !text.includes('\n') && !isDigest(text)) return text
    throw new Error(
      'No version stands out in this text. Leave only the version in the field, or write it down as a note.',
    )
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
            setAnswers(undefined)
            setSaid(undefined)
          }}
        />
        <p class="buttons">
          <button type="button" class="main" onClick={() => void look()}>
            {takesChecksums ? 'Compare with the images' : 'Find the version'}
          </button>
        </p>
        <div role="status" class={said?.problem === true ? 'problem' : ''}>
          {said !== undefined && <p>{said.text}</p>}
        </div>
        {answers?.findings !== undefined && answers.findings.length > 0 && (
          <ul class="findings">
            {answers.findings.map((finding) => (
              <li key={finding.value} class={finding.counts && finding.outcome !== 'match' ? 'hand' : ''}>
                <Outside text={finding.words} />{' '}
                {mayChange && finding.outcome === 'match' && finding.algorithm !== null && (
                  <button
                    type="button"
                    class="quiet"
                    onClick={() =>
                      void attempt(() =>
                        written({ digest: digestOf(finding) }, 'The digest is written down.'),
                      )
                    }
                  >
                    write it down for the device
                  </button>
                )}
              </li>
            ))}
          </ul>
        )}
        {mayChange && (
          <fieldset>
            <legend>Write it down</legend>
            <label for={`${id}-device`}>
              Device
              <input
                id={`${id}-device`}
                list={`${id}-devices`}
                value={device}
                autocomplete="off"
                onInput={(event) => setDevice(event.currentTarget.value)}
              />
            </label>
            <datalist id={`${id}-devices`}>
              {devices.map((name) => (
                <option key={name} value={name} />
              ))}
            </datalist>
            <label for={`${id}-when`}>
              It is
              <select
                id={`${id}-when`}
                value={when}
                onChange={(event) => setWhen(event.currentTarget.value as When)}
              >
                <option value="before">the version before the pull</option>
                <option value="after">the version after the pull</option>
                <option value="note">a note</option>
              </select>
            </label>
            <button type="button" onClick={() => void writeDown()}>
              Write it down
            </button>
          </fieldset>
        )}
      </form>
    </Section>
  )
}

function digestOf({ algorithm, value, image }: Finding): object {
  return { algorithm, value, ...(image !== null && { image }) }
}

function lookedText(matched: Matched | undefined, version: string | undefined): string {
  const parts = [
    ...(matched === undefined ? [] : [visible(matched.words)]),
    ...(matched?.matched === true && version === undefined
      ? []
      : [version === undefined ? 'No version stands out in it.' : `Version in it: ${visible(version)}.`]),
  ]
  return parts.join(' ')
}
