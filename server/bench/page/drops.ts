/** Files on their way into the staging folder: one after the other, each with its progress. */
import { messageOf } from '../../errors.ts'
import type { DropTarget } from '../drop.ts'
import type { TokenKeeper } from './token.ts'

export interface Drop {
  readonly id: number
  readonly name: string
  readonly bytes: number
  readonly sent: number
  readonly state: 'waiting' | 'sending' | 'arrived' | 'failed'
  readonly why?: string
  /** To the person: a file of this name is there. */
  readonly question?: ReplaceQuestion | undefined
}

export interface ReplaceQuestion {
  readonly name: string
  readonly answer: (replace: boolean) => void
}

export type DropQueue = ReturnType<typeof createDropQueue>

export function createDropQueue(tokens: TokenKeeper, say: (sentence: string) => void) {
  // Long: one queue; each step of a file changes the list that is drawn.
  const listeners = new Set<() => void>()
  let list: readonly Drop[] = []
  let lastId = 0
  let turn = Promise.resolve()
  let sending: { readonly id: number; readonly request: XMLHttpRequest } | undefined

  function set(next: readonly Drop[]): void {
    list = next
    for (const listener of listeners) listener()
  }
  const change = (id: number, members: Partial<Drop>): void =>
    set(list.map((drop) => (drop.id === id ? { ...drop, ...members } : drop)))
  const isListed = (id: number): boolean => list.some((drop) => drop.id === id)

  function enter(name: string, bytes: number): number {
    lastId += 1
    set([...list, { id: lastId, name, bytes, sent: 0, state: 'waiting' }])
    return lastId
  }

  function fail(id: number, name: string, why: string): void {
    change(id, { state: 'failed', why })
    say(`${name}: ${why}`)
  }

  /** Stops it if it is under way, and takes it off the list. */
  function dismiss(id: number): void {
    if (sending?.id === id) sending.request.abort()
    set(list.filter((drop) => drop.id !== id))
  }

  /** Never rejects. */
  async function bring(id: number, file: File): Promise<void> {
    if (!isListed(id)) return
    const query = `/api/drop?name=${encodeURIComponent(file.name)}`
    try {
      const { name, exists, room } = await tokens.ask<DropTarget>(query)
      if (file.size > room) {
        return fail(id, name, `the disk of the staging folder has no room for its ${file.size} bytes.`)
      }
      if (exists && !(await mayReplace(id, name))) dismiss(id)
      if (!isListed(id)) return
      change(id, { state: 'sending', name })
      await send(id, file, exists ? `${query}&replace=yes` : query)
      change(id, { state: 'arrived', sent: file.size })
      say(`${name} is in the staging folder.`)
    } catch (error) {
      fail(id, file.name, messageOf(error))
    }
  }

  function mayReplace(id: number, name: string): Promise<boolean> {
    return new Promise((answered) => {
      const answer = (replace: boolean): void => {
        change(id, { question: undefined })
        answered(replace)
      }
      change(id, { question: { name, answer } })
    })
  }

  /** `fetch` tells nothing of how much was sent; the older interface does. */
  async function send(id: number, file: File, path: string): Promise<void> {
    const authorization = await tokens.authorization()
    await new Promise<void>((sent, failed) => {
      const request = new XMLHttpRequest()
      sending = { id, request }
      request.open('PUT', path)
      request.setRequestHeader('authorization', authorization)
      request.setRequestHeader('content-type', 'application/octet-stream')
      request.upload.onprogress = ({ loaded }) => change(id, { sent: loaded })
      request.onerror = () =>
        failed(new Error('it did not arrive whole: the connection broke. Drop it again.'))
      request.onabort = () => failed(new Error('stopped; nothing of it was kept.'))
      request.onload = () => {
        if (request.status === 200) sent()
        else failed(tokens.refusal(request.status, request.responseText))
      }
      request.send(file)
    })
  }

  return {
    drops: (): readonly Drop[] => list,
    subscribe(listener: () => void): () => void {
      listeners.add(listener)
      return () => listeners.delete(listener)
    },
    add(file: File): void {
      const id = enter(file.name, file.size)
      turn = turn.then(() => bring(id, file))
    },
    /** Says why something could not be taken at all. */
    refuse: (name: string, why: string): void => fail(enter(name, 0), name, why),
    dismiss,
  }
}
