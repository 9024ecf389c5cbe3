/** What every part of the page may need, handed down once. */
import { createContext } from 'preact'
import { useContext, useEffect, useState } from 'preact/hooks'
import type { DropQueue } from './drops.ts'
import type { TokenKeeper } from './token.ts'

export interface Bench extends Pick<TokenKeeper, 'ask'> {
  readonly mayChange: boolean
  /** To a screen reader, at once. */
  readonly answer: (sentence: string) => void
  readonly drops: DropQueue
}

export const BenchContext = createContext<Bench | undefined>(undefined)

export function useBench(): Bench {
  const bench = useContext(BenchContext)
  if (bench === undefined) throw new Error('BenchContext is missing')
  return bench
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
