/** The question before a file in the staging folder is replaced. */
import type { JSX } from 'preact'
import { useEffect, useRef } from 'preact/hooks'
import { Outside } from './parts.tsx'

export interface ReplaceQuestion {
  readonly name: string
  readonly answer: (replace: boolean) => void
}

export function ReplaceDialog({ question }: { question: ReplaceQuestion | undefined }): JSX.Element | null {
  const dialog = useRef<HTMLDialogElement>(null)
  useEffect(() => {
    if (question !== undefined) dialog.current?.showModal()
  }, [question])
  if (question === undefined) return null
  return (
    <dialog ref={dialog} aria-labelledby="replace-title" onClose={() => question.answer(false)}>
      <h2 id="replace-title">
        <Outside text={question.name} mono /> is there already
      </h2>
      <p>
        Replacing it makes another version of the image. Fetches of the old one that are in progress are
        stopped.
      </p>
      <p class="buttons">
        <button type="button" autofocus onClick={() => question.answer(false)}>
          Keep the old one
        </button>
        <button type="button" class="main" onClick={() => question.answer(true)}>
          Replace it
        </button>
      </p>
    </dialog>
  )
}
