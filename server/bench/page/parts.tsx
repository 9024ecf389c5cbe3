/** Small pieces that all sections share: the ruled section, text from outside, a line with its copy button. */
import type { ComponentChildren, RefObject } from 'preact'
import { useId, useRef, useState } from 'preact/hooks'
import { visible } from '../../wording/visible.ts'
import { useBench } from './context.ts'

interface SectionProps {
  readonly id: string
  readonly title: string
  /** A word or two beside the title. */
  readonly aside?: string | undefined
  /** Fields at the end of the title's line. */
  readonly tools?: ComponentChildren
  readonly children: ComponentChildren
}

export function Section({ id, title, aside, tools, children }: SectionProps) {
  return (
    <section class="section" aria-labelledby={`${id}-title`} id={id}>
      <div class="title">
        <h2 id={`${id}-title`}>{title}</h2>
        {aside !== undefined && <p class="aside">{aside}</p>}
        {tools && <div class="tools">{tools}</div>}
      </div>
      <div class="content">{children}</div>
    </section>
  )
}

/** Text from outside: never markup, control characters visible, its direction kept to itself. */
export function Outside({ text, mono = false }: { text: string; mono?: boolean }) {
  return <bdi class={mono ? 'mono' : undefined}>{visible(text)}</bdi>
}

interface FieldProps {
  readonly label: string
  readonly value: string
  readonly onValue: (value: string) => void
}

export function SearchField({ label, value, onValue }: FieldProps) {
  const id = useId()
  return (
    <label for={id}>
      {label}
      <input id={id} type="search" value={value} onInput={(event) => onValue(event.currentTarget.value)} />
    </label>
  )
}

/** `children`: its options. */
export function ChoiceField(props: FieldProps & { readonly children: ComponentChildren }) {
  const { label, value, onValue, children } = props
  const id = useId()
  return (
    <label for={id}>
      {label}
      <select id={id} value={value} onChange={(event) => onValue(event.currentTarget.value)}>
        {children}
      </select>
    </label>
  )
}

interface CopyProps {
  /** What the clipboard gets, exactly. */
  readonly line: string
  /** Names the line for a screen reader: which image, by which address. */
  readonly label: string
}

const SHOWN_MS = 2_000

/** `field`: where the line stands; without one it is the button's title. */
export function CopyButton({ line, label, field }: CopyProps & { field?: RefObject<HTMLElement | null> }) {
  const [copied, setCopied] = useState(false)
  const { answer } = useBench()
  const act = field === undefined ? 'copy line' : 'copy'
  const word = copied ? 'copied' : act

  async function copy(): Promise<void> {
    try {
      await navigator.clipboard.writeText(line)
    } catch {
      const refused = 'The browser did not let us copy. The line is'
      if (field?.current == null) return answer(`${refused}: ${line}`)
      getSelection()?.selectAllChildren(field.current)
      return answer(`${refused} selected: copy it with the keyboard.`)
    }
    answer(`Copied: ${line}`)
    setCopied(true)
    setTimeout(() => setCopied(false), SHOWN_MS)
  }

  return (
    <button
      type="button"
      class="copy"
      title={field === undefined ? line : undefined}
      aria-label={`${word} ${label}`}
      onClick={() => void copy()}
    >
      {word}
    </button>
  )
}

export function CopyLine({ line, label }: CopyProps) {
  const field = useRef<HTMLElement>(null)
  return (
    <span class="copy-line">
      <code ref={field} title={line}>
        {line.split(/(?<= )/).map((word, at) => (
          <span key={at}>{word}</span>
        ))}
      </code>
      <CopyButton line={line} label={label} field={field} />
    </span>
  )
}

export function Bar({ share, label }: { share: number; label: string }) {
  return <progress value={Math.round(share * 1000)} max={1000} aria-label={label} />
}

/** Text by label; what is not known is left out. */
export function Facts({ known }: { known: Readonly<Record<string, string | null>> }) {
  return (
    <dl class="facts">
      {Object.entries(known).map(
        ([label, text]) =>
          text && (
            <div key={label}>
              <dt>{label}</dt>
              <dd>
                <Outside text={text} />
              </dd>
            </div>
          ),
      )}
    </dl>
  )
}

/** A list that begins short, and the button that shows the rest, or less again; null where there is no more. */
export function useShown<T>(
  all: readonly T[],
  few: number,
  words = { more: `show all ${all.length}`, less: `show the latest ${few}` },
) {
  const [whole, setWhole] = useState(false)
  if (all.length <= few) return { shown: all, more: null }
  const more = (
    <p class="more">
      <button type="button" class="quiet" aria-expanded={whole} onClick={() => setWhole(!whole)}>
        {whole ? words.less : words.more}
      </button>
    </p>
  )
  return { shown: whole ? all : all.slice(0, few), more }
}
