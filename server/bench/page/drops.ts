/** Files on their way into the staging folder: one after the other, each with its progress. */
import { messageOf } from '../../errors.ts'
import type { DropTarget } from '../drop.ts'
import { type AskError, answerTo } from './answers.ts'
import { createSource } from './context.ts'
import { apiError } from './local-api.ts'
import type { TokenKeeper } from './token.ts'

type DropState = 'waiting' | 'asking' | 'sending' | 'arrived' | 'failed'

export interface Drop {
  readonly id: number
  readonly name: string
  readonly bytes: number
  readonly sent: number
  readonly state: DropState
  readonly why: string | undefined
}

export type DropQueue = ReturnType<typeof createDropQueue>

interface DropQueueOptions {
  readonly tokens: TokenKeeper
  /** Asks the person whether the file that is there may be replaced. */
  readonly mayReplace: (name: string) => Promise<boolean>
  readonly say: (sentence: string) => void
}

export function createDropQueue({ tokens, mayReplace, say }: DropQueueOptions) {
  // Long: one queue; each step of a file changes the list that is drawn.
  const { told, subscribe } = createSource()
  const waiting: { id: number; file: File }[] = []
  const requests = new Map<number, XMLHttpRequest>()
  let list: readonly Drop[] = []
  let lastId = 0
  let busy = false

  function set(next: readonly Drop[]): void {
    list = next
    told()
  }
  const change = (id: number, members: Partial<Drop>): void =>
    set(list.map((drop) => (drop.id === id ? { ...drop, ...members } : drop)))
  const fail = (id: number, name: string, why: string): void => {
    change(id, { state: 'failed', why })
    say(`${name}: ${why}`)
  }

  async function work(): Promise<void> {
    if (busy) return
    busy = true
    try {
      for (let next = waiting.shift(); next !== undefined; next = waiting.shift()) {
        if (list.some(({ id }) => id === next?.id)) await one(next.id, next.file)
      }
    } finally {
      busy = false
    }
  }

  async function one(id: number, file: File): Promise<void> {
    try {
      change(id, { state: 'asking' })
      // Another program on the port says nothing that is believed.
      await tokens.headers()
      const target = await targetOf(file, tokens)
      if (file.size > target.room) {
        return fail(id, target.name, `the disk of the staging folder has no room for its ${file.size} bytes.`)
      }
      if (target.exists && !(await mayReplace(target.name))) return dismiss(id)
      change(id, { state: 'sending', name: target.name })
      await send(id, file, target.exists, await tokens.headers())
      change(id, { state: 'arrived', sent: file.size })
      say(`${target.name} is in the staging folder.`)
    } catch (error) {
      fail(id, file.name, messageOf(error))
    }
  }

  /** `fetch` tells nothing of how much was sent; the older interface does. */
  function send(
    id: number,
    file: File,
    replace: boolean,
    headers: Readonly<Record<string, string>>,
  ): Promise<void> {
    return new Promise((sent, failed) => {
      const request = new XMLHttpRequest()
      requests.set(id, request)
      request.open('PUT', `/api/drop?name=${encodeURIComponent(file.name)}${replace ? '&replace=yes' : ''}`)
      for (const [name, value] of Object.entries(headers)) {
        request.setRequestHeader(name, value)
      }
      request.setRequestHeader('content-type', 'application/octet-stream')
      request.upload.onprogress = ({ loaded }) => change(id, { sent: loaded })
      request.onerror = () =>
        failed(new Error('it did not arrive whole: the connection broke. Drop it again.'))
      request.onabort = () => failed(new Error('stopped; nothing of it was kept.'))
      request.onload = () => {
        requests.delete(id)
        const refusal: AskError | undefined =
          request.status === 200 ? undefined : apiError(request.status, request.responseText, tokens)
        if (refusal === undefined) sent()
        else failed(refusal)
      }
      request.send(file)
    })
  }

  function dismiss(id: number): void {
    requests.get(id)?.abort()
    requests.delete(id)
    set(list.filter((drop) => drop.id !== id))
  }

  function enter(name: string, bytes: number, members: Partial<Drop>): number {
    lastId += 1
    const drop: Drop = { id: lastId, name, bytes, sent: 0, state: 'waiting', why: undefined, ...members }
    set([...list, drop])
    return drop.id
  }

  return {
    drops: (): readonly Drop[] => list,
    subscribe,
    add(files: readonly File[]): void {
      for (const file of files) waiting.push({ id: enter(file.name, file.size, {}), file })
      work().catch(() => undefined)
    },
    /** Says why something could not be taken at all. */
    refuse(name: string, why: string): void {
      enter(name, 0, { state: 'failed', why })
      say(`${name}: ${why}`)
    },
    /** Stops it if it is under way, and takes it off the list. */
    dismiss,
  }
}

async function targetOf(file: File, tokens: TokenKeeper): Promise<DropTarget> {
  const { status, text } = await answerTo(`/api/drop?name=${encodeURIComponent(file.name)}`)
  if (status !== 200) throw apiError(status, text, tokens)
  return JSON.parse(text) as DropTarget
}
