/** Small pieces that all sections share: the ruled section, text from outside, a line with its copy button. */
import type { ComponentChildren, JSX } from 'preact'
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

export function Section({ id, title, aside, tools, children }: SectionProps): JSX.Element {
  return (
    <section class="section" aria-labelledby={`${id}-title`} id={id}>
      <div class="title">
        <h2 id={`${id}-title`}>{title}</h2>
        {aside !== undefined && <p class="aside">{aside}</p>}
        {tools !== undefined && tools !== false && <div class="tools">{tools}</div>}
      </div>
      <div class="content">{children}</div>
    </section>
  )
}

/** Text from outside: never markup, control characters visible, its direction kept to itself. */
export function Outside({ text, mono = false }: { text: string; mono?: boolean }): JSX.Element {
  return <bdi class={mono ? 'mono' : undefined}>{visible(text)}</bdi>
}

interface FieldProps {
  readonly label: string
  readonly value: string
  readonly onValue: (value: string) => void
}

export function SearchField({ label, value, onValue }: FieldProps): JSX.Element {
  const id = useId()
  return (
    <label for={id}>
      {label}
      <input id={id} type="search" value={value} onInput={(event) => onValue(event.currentTarget.value)} />
    </label>
  )
}

/** `children`: its options. */
export function ChoiceField(props: FieldProps & { readonly children: ComponentChildren }): JSX.Element {
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

interface CopyLineProps {
  /** What the clipboard gets, exactly. */
  readonly line: string
  /** Names the line for a screen reader: which image, by which address. */
  readonly label: string
}

const SHOWN_MS = 2_000

function useCopy(line: string, select?: () => void) {
  const [copied, setCopied] = useState(false)
  const { answer } = useBench()
  return {
    copied,
    async copy(): Promise<void> {
      try {
        await navigator.clipboard.writeText(line)
      } catch {
        select?.()
        answer(
          select === undefined
            ? `The browser did not let us copy. The line is: ${line}`
            : 'The browser did not let us copy. The line is selected: copy it with the keyboard.',
        )
        return
      }
      answer(`Copied: ${line}`)
      setCopied(true)
      setTimeout(() => setCopied(false), SHOWN_MS)
    },
  }
}

/** The button alone, where there is no room for the line; the line is its title. */
export function CopyButton({ line, label }: CopyLineProps): JSX.Element {
  const { copied, copy } = useCopy(line)
  return (
    <button
      type="button"
      class="copy"
      title={line}
      aria-label={`${copied ? 'copied' : 'copy line'} ${label}`}
      onClick={() => void copy()}
    >
      {copied ? 'copied' : 'copy line'}
    </button>
  )
}

export function CopyLine({ line, label }: CopyLineProps): JSX.Element {
  const field = useRef<HTMLElement>(null)
  const { copied, copy } = useCopy(line, () => {
    if (field.current !== null) getSelection()?.selectAllChildren(field.current)
  })
  return (
    <span class="copy-line">
      <code ref={field} title={line}>
        {line.split(/(?<= )/).map((word, at) => (
          <span key={at}>{word}</span>
        ))}
      </code>
      <button
        type="button"
        class="copy"
        aria-label={`${copied ? 'copied' : 'copy'} ${label}`}
        onClick={() => void copy()}
      >
        {copied ? 'copied' : 'copy'}
      </button>
    </span>
  )
}

/** `text` also says the share, since a bar alone says nothing to some. */
export function Bar({ share, label }: { share: number; label: string }): JSX.Element {
  return <progress value={Math.round(share * 1000)} max={1000} aria-label={label} />
}

interface Shown<T> {
  readonly shown: readonly T[]
  /** Shows the rest, or less again; null where there is no more. */
  readonly more: JSX.Element | null
}

/** A list that begins short and shows the rest when asked. */
export function useShown<T>(all: readonly T[], few: number): Shown<T> {
  return useShort(all, few, { more: `show all ${all.length}`, less: `show the latest ${few}` })
}

/** The first few, and how many more there are. */
export function useFold<T>(all: readonly T[], few: number): Shown<T> {
  const words = { more: `${all.length - few} more`, less: `show the first ${few}` }
  return useShort(all, few, words, 'fold')
}

function useShort<T>(
  all: readonly T[],
  few: number,
  words: { readonly more: string; readonly less: string },
  style?: string,
): Shown<T> {
  const [whole, setWhole] = useState(false)
  if (all.length <= few) return { shown: all, more: null }
  const more = (
    <p class={style}>
      <button type="button" class="quiet" aria-expanded={whole} onClick={() => setWhole(!whole)}>
        {whole ? words.less : words.more}
      </button>
    </p>
  )
  return { shown: whole ? all : all.slice(0, few), more }
}
