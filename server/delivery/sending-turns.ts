/**
 * Turns of the fetches that have more to hand over: a few each time the event loop comes round, and only one while others
 * come, since it takes one connection a round. (512 clients that read nothing were handed what the system takes for each,
 * 128 MiB a round: another's connection lay there for seconds.)
 */
export type Turns = ReturnType<typeof createTurns>

const TURNS_A_ROUND = 8
const TURN_BYTES = 256 * 1024
const SHORT_TURN_BYTES = 64 * 1024

export function createTurns() {
  let waiting: (() => void)[] = []
  let isComing = false
  let hurrying = 0

  function come(): void {
    isComing = waiting.length > 0
    if (isComing) setImmediate(round)
  }

  function round(): void {
    const turns = hurrying > 0 ? 1 : TURNS_A_ROUND
    const now = waiting.slice(0, turns)
    waiting = waiting.slice(turns)
    for (const go of now) go()
    come()
  }

  return {
    /** What a fetch hands over in one turn, before it waits for the next. */
    get bytes(): number {
      return hurrying > 0 ? SHORT_TURN_BYTES : TURN_BYTES
    },
    /** Calls in the order in which they came. */
    wait(go: () => void): void {
      waiting.push(go)
      if (!isComing) come()
    },
    /** Somebody asks: what is handed over in a round is little, until the answer has begun and `done` is called, once. */
    hurry(): () => void {
      hurrying += 1
      return () => {
        hurrying -= 1
      }
    },
  }
}
