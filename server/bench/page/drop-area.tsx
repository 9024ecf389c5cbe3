/** Where files come in: the whole page takes them, a button serves the keyboard, each shows how far it is. */
import { useSyncExternalStore } from 'preact/compat'
import { useEffect, useRef, useState } from 'preact/hooks'
import { sizeText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import { useBench } from './context.ts'
import type { Drop, ReplaceQuestion } from './drops.ts'
import { Bar, Outside } from './parts.tsx'

export function DropArea({ empty }: { empty: boolean }) {
  const { mayChange, drops: queue } = useBench()
  const picker = useRef<HTMLInputElement>(null)
  const isOver = usePageDrop()
  const drops = useSyncExternalStore(queue.subscribe, queue.drops)
  const question = drops.find((drop) => drop.question !== undefined)?.question
  return (
    <div class="drop-area">
      {mayChange && (
        <p class={empty ? 'invite empty' : 'invite'}>
          {empty ? 'Drop an image anywhere on this page, or ' : 'Drop more images anywhere on this page, or '}
          <button type="button" class="quiet" onClick={() => picker.current?.click()}>
            choose files
          </button>
          <input
            ref={picker}
            type="file"
            multiple
            hidden
            aria-label="Files for the staging folder"
            onChange={(event) => {
              for (const file of event.currentTarget.files ?? []) queue.add(file)
              event.currentTarget.value = ''
            }}
          />
        </p>
      )}
      {drops.length > 0 && (
        <ul class="drops" aria-label="Files on their way into the staging folder">
          {drops.map((drop) => (
            <DropRow key={drop.id} drop={drop} onDismiss={() => queue.dismiss(drop.id)} />
          ))}
        </ul>
      )}
      {isOver && (
        <div class="dropping" aria-hidden="true">
          <p>{mayChange ? 'Drop to copy into the staging folder.' : 'This page is read-only.'}</p>
        </div>
      )}
      {question !== undefined && <ReplaceDialog {...question} />}
    </div>
  )
}

function DropRow({ drop, onDismiss }: { drop: Drop; onDismiss: () => void }) {
  const { name, bytes, sent, state } = drop
  const isUnderWay = state === 'waiting' || state === 'sending'
  return (
    <li class={state}>
      <Outside text={name} mono />
      {isUnderWay && <Bar share={bytes === 0 ? 0 : sent / bytes} label={`How far ${visible(name)} is`} />}
      <span>{dropText(drop)}</span>
      <button
        type="button"
        class="quiet"
        aria-label={`${isUnderWay ? 'Stop' : 'Clear'} ${visible(name)}`}
        onClick={onDismiss}
      >
        {isUnderWay ? 'stop' : 'clear'}
      </button>
    </li>
  )
}

function dropText({ state, sent, bytes, why }: Drop): string {
  if (state === 'sending') return `${sizeText(sent)} of ${sizeText(bytes)}`
  if (state === 'arrived') return 'in the staging folder'
  return why ?? state
}

/** The question before a file in the staging folder is replaced. */
function ReplaceDialog({ name, answer }: ReplaceQuestion) {
  const dialog = useRef<HTMLDialogElement>(null)
  useEffect(() => dialog.current?.showModal(), [])
  return (
    <dialog ref={dialog} aria-labelledby="replace-title" onClose={() => answer(false)}>
      <h2 id="replace-title">
        <Outside text={name} mono /> is there already
      </h2>
      <p>
        Replacing it makes another version of the image. Fetches of the old one that are in progress are
        stopped.
      </p>
      <p class="buttons">
        <button type="button" autofocus onClick={() => answer(false)}>
          Keep the old one
        </button>
        <button type="button" class="main" onClick={() => answer(true)}>
          Replace it
        </button>
      </p>
    </dialog>
  )
}

/** True while something hangs over the page. */
function usePageDrop(): boolean {
  const { mayChange, drops } = useBench()
  const [depth, setDepth] = useState(0)
  useEffect(() => {
    const ended = new AbortController()
    const on = (kind: 'dragenter' | 'dragleave' | 'dragover' | 'drop', act: (event: DragEvent) => void) =>
      window.addEventListener(kind, act, { signal: ended.signal })
    const change = (by: number, { dataTransfer }: DragEvent): void => {
      if (dataTransfer?.types.includes('Files')) setDepth((now) => Math.max(0, now + by))
    }
    on('dragenter', (event) => change(1, event))
    on('dragleave', (event) => change(-1, event))
    // Without this the browser would leave the page and show the file.
    on('dragover', (event) => event.preventDefault())
    on('drop', (event) => {
      event.preventDefault()
      setDepth(0)
      if (!mayChange) return
      for (const item of event.dataTransfer?.items ?? []) {
        const file = item.getAsFile()
        if (file === null) continue
        if (item.webkitGetAsEntry()?.isDirectory !== true) drops.add(file)
        else drops.refuse(file.name, 'a folder cannot be dropped here; drop the files in it.')
      }
    })
    return () => ended.abort()
  }, [mayChange, drops])
  return depth > 0
}
