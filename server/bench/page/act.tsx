/** A small form that changes something: opened on purpose, says what went wrong, closes when it is done. */
import { useId, useRef, useState } from 'preact/hooks'
import { messageOf } from '../../errors.ts'
import { useBench } from './context.ts'

const READ_ONLY = 'Nothing can be changed at this moment: see what to do next. What you typed stays here.'

/** What was typed and not sent: an image that settles for a moment takes its form away, and brings it back. */
const drafts = new Map<string, string>()

interface ActProps {
  /** On the button that opens it. */
  readonly opener: string
  /** Distinguishes it for a screen reader: the image's name. */
  readonly about: string
  readonly label: string
  readonly hint: string
  readonly submit: string
  /** Said when it is done. */
  readonly done: string
  readonly act: (text: string) => Promise<unknown>
  /** Where doing it takes its button away: puts the keyboard elsewhere. */
  readonly onDone?: () => void
}

export function Act(props: ActProps) {
  // Long: one form, mostly markup.
  const { mayChange, answer } = useBench()
  const draft = `${props.opener} ${props.about}`
  const [open, setOpen] = useState(drafts.has(draft))
  const [busy, setBusy] = useState(false)
  const [problem, setProblem] = useState<string>()
  const text = useRef<HTMLTextAreaElement>(null)
  const opener = useRef<HTMLButtonElement>(null)
  const id = useId()
  // What was typed stays while the server is gone for a moment.
  if (!mayChange && !open) return null

  function close(): void {
    drafts.delete(draft)
    setOpen(false)
    setProblem(undefined)
    opener.current?.focus()
  }

  async function submit(event: Event): Promise<void> {
    event.preventDefault()
    const given = text.current?.value ?? ''
    if (given.trim() === '') {
      setProblem('This is needed.')
      text.current?.focus()
      return
    }
    setBusy(true)
    try {
      await props.act(given)
      answer(props.done)
      close()
      props.onDone?.()
    } catch (error) {
      setProblem(messageOf(error))
    } finally {
      setBusy(false)
    }
  }

  return (
    <div class="act">
      <button
        type="button"
        class="quiet"
        ref={opener}
        aria-expanded={open}
        aria-label={`${props.opener} (${props.about})`}
        onClick={() => {
          setOpen(!open)
          if (!open) setTimeout(() => text.current?.focus())
        }}
      >
        {props.opener}
      </button>
      {open && (
        <form
          noValidate
          onSubmit={(event) => void submit(event)}
          onKeyDown={(event) => event.key === 'Escape' && close()}
        >
          <label for={id}>{props.label}</label>
          <p class="hint" id={`${id}-hint`}>
            {props.hint}
          </p>
          <textarea
            id={id}
            ref={text}
            rows={2}
            required
            spellcheck={false}
            defaultValue={drafts.get(draft)}
            onInput={(event) => drafts.set(draft, event.currentTarget.value)}
            aria-describedby={`${id}-hint ${id}-problem`}
            aria-invalid={problem !== undefined}
          />
          <p class="problem" id={`${id}-problem`} role="alert">
            {mayChange ? problem : READ_ONLY}
          </p>
          <p class="buttons">
            <button type="submit" class="main" disabled={busy || !mayChange}>
              {props.submit}
            </button>
            <button type="button" onClick={close}>
              Cancel
            </button>
          </p>
        </form>
      )}
    </div>
  )
}
