/** What every part of the page may need, handed down once. */
import { createContext } from 'preact'
import { useContext, useEffect, useLayoutEffect, useState } from 'preact/hooks'
import type { Ask } from './local-api.ts'

export interface Bench {
  readonly ask: Ask
  readonly mayChange: boolean
  /** To a screen reader, at once. */
  readonly answer: (sentence: string) => void
}

export const BenchContext = createContext<Bench | undefined>(undefined)

export function useBench(): Bench {
  const bench = useContext(BenchContext)
  if (bench === undefined) throw new Error('BenchContext is missing')
  return bench
}

/** Tells all who listen that something changed. */
export function createSource() {
  const listeners = new Set<() => void>()
  return {
    told(): void {
      for (const listener of listeners) listener()
    },
    subscribe(listener: () => void): () => void {
      listeners.add(listener)
      return () => listeners.delete(listener)
    },
  }
}

/** Draws again whenever the source tells. From the first drawing on, not from the first painting: what came between would be missed. */
export function useSource(subscribe: (listener: () => void) => () => void): void {
  const [, draw] = useState(0)
  useLayoutEffect(() => subscribe(() => draw((count) => count + 1)), [subscribe])
}

/** Milliseconds since 1970, once a second while `running`. */
export function useNow(running: boolean): number {
  const [now, setNow] = useState(Date.now())
  useEffect(() => {
    if (!running) return
    setNow(Date.now())
    const timer = setInterval(() => setNow(Date.now()), 1_000)
    return () => clearInterval(timer)
  }, [running])
  return now
}
