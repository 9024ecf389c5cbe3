/** Where files come in: the whole page takes them, a button serves the keyboard, each shows how far it is. */
import type { JSX } from 'preact'
import { useEffect, useRef, useState } from 'preact/hooks'
import { sizeText } from '../../wording/units.ts'
import { visible } from '../../wording/visible.ts'
import { useBench, useSource } from './context.ts'
import type { Drop, DropQueue } from './drops.ts'
import { Bar, Outside } from './parts.tsx'

export function DropArea({ queue, empty }: { queue: DropQueue; empty: boolean }): JSX.Element {
  const { mayChange } = useBench()
  const picker = useRef<HTMLInputElement>(null)
  const over = usePageDrop(queue, mayChange)
  useSource(queue.subscribe)
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
              queue.add([...(event.currentTarget.files ?? [])])
              event.currentTarget.value = ''
            }}
          />
        </p>
      )}
      {queue.drops().length > 0 && (
        <ul class="drops" aria-label="Files on their way into the staging folder">
          {queue.drops().map((drop) => (
            <DropRow key={drop.id} drop={drop} onDismiss={() => queue.dismiss(drop.id)} />
          ))}
        </ul>
      )}
      {over && (
        <div class="dropping" aria-hidden="true">
          <p>{mayChange ? 'Drop to copy into the staging folder.' : 'This page is read-only.'}</p>
        </div>
      )}
    </div>
  )
}

function DropRow({ drop, onDismiss }: { drop: Drop; onDismiss: () => void }): JSX.Element {
  const under = drop.state === 'waiting' || drop.state === 'asking' || drop.state === 'sending'
  return (
    <li class={drop.state}>
      <Outside text={drop.name} mono />
      {under && (
        <Bar
          share={drop.bytes === 0 ? 0 : drop.sent / drop.bytes}
          label={`How far ${visible(drop.name)} is`}
        />
      )}
      <span>{dropText(drop)}</span>
      <button
        type="button"
        class="quiet"
        aria-label={`${under ? 'Stop' : 'Clear'} ${visible(drop.name)}`}
        onClick={onDismiss}
      >
        {under ? 'stop' : 'clear'}
      </button>
    </li>
  )
}

function dropText({ state, sent, bytes, why }: Drop): string {
  if (state === 'sending') return `${sizeText(sent)} of ${sizeText(bytes)}`
  if (state === 'arrived') return 'in the staging folder'
  if (state === 'failed') return why ?? 'failed'
  return 'waiting'
}

/** True while something hangs over the page. */
function usePageDrop(queue: DropQueue, mayChange: boolean): boolean {
  const [depth, setDepth] = useState(0)
  useEffect(() => {
    const hasFiles = (event: DragEvent): boolean => event.dataTransfer?.types.includes('Files') ?? false
    const enter = (event: DragEvent): void => {
      if (hasFiles(event)) setDepth((now) => now + 1)
    }
    const leave = (event: DragEvent): void => {
      if (hasFiles(event)) setDepth((now) => Math.max(0, now - 1))
    }
    // Without this the browser would leave the page and show the file.
    const hover = (event: DragEvent): void => event.preventDefault()
    const drop = (event: DragEvent): void => {
      event.preventDefault()
      setDepth(0)
      if (!mayChange) return
      const { files, folders } = sorted(event.dataTransfer)
      for (const name of folders) queue.refuse(name, 'a folder cannot be dropped here; drop the files in it.')
      queue.add(files)
    }
    const listeners = { dragenter: enter, dragleave: leave, dragover: hover, drop }
    for (const [kind, listener] of Object.entries(listeners))
      window.addEventListener(kind, listener as EventListener)
    return () => {
      for (const [kind, listener] of Object.entries(listeners)) {
        window.removeEventListener(kind, listener as EventListener)
      }
    }
  }, [queue, mayChange])
  return depth > 0
}

function sorted(data: DataTransfer | null): { files: File[]; folders: string[] } {
  const files: File[] = []
  const folders: string[] = []
  for (const item of data?.items ?? []) {
    const file = item.getAsFile()
    if (file === null) continue
    if (item.webkitGetAsEntry()?.isDirectory === true) folders.push(file.name)
    else files.push(file)
  }
  return { files, folders }
}
