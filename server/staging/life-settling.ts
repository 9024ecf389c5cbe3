/** An image settles: until its file is quiet for long enough, and again whenever it moves. */
import { sameButTouched } from '../files/folder.ts'
import { isJudged } from './image.ts'
import { type LifeState, quietOf, type Unmoved } from './life-state.ts'
import { settle } from './settling.ts'
import type { Sight } from './watch.ts'

/** How often it is asked whether another program still writes. */
const WRITER_AGAIN_MS = 1_000

export function restart(life: LifeState, sight: Sight, isVoid: boolean, renewed: () => Unmoved): void {
  const { options, unmoved, image, facts } = life
  const before = unmoved.touched ?? (isJudged(image) ? image : undefined)
  unmoved.moved.abort()
  life.waitNoLonger()
  life.unmoved = renewed()
  const isTouched = before !== undefined && !isVoid && sameButTouched(facts.sight.identity, sight.identity)
  if (isTouched) life.unmoved.touched = before
  const placed = options.place(undefined)
  life.step('moved', { sight, placed, version: undefined, judgement: undefined, lifted: undefined })
  if (before !== undefined && !isTouched) options.onLost(before, 'changed')
  life.next.proceed()
}

/** Read again after its change time moved: the same bytes were found whole before, others are another file. */
export function compareWithTouched({ options, unmoved }: LifeState, sha256: string): void {
  const { touched } = unmoved
  if (touched === undefined) return
  if (touched.version?.sha256 === sha256) {
    unmoved.impatient = true
    return
  }
  unmoved.touched = undefined
  options.onLost(touched, 'changed')
}

export function proceed(life: LifeState): void {
  life.waitNoLonger()
  if (life.ended || life.image.state !== 'settling') return
  const todo = settle(quietOf(life), life.options.times)
  if (todo.act === 'read') void life.next.read()
  else if (todo.act === 'offer') void concludeUnwritten(life)
  // One millisecond more, so that rounding does not wake it too early.
  else life.wakeIn(todo.waitMs + 1, () => void lookThenProceed(life))
}

/** Not while another program has the file open for writing, as far as the system shows it. */
async function concludeUnwritten(life: LifeState): Promise<void> {
  const { unmoved } = life
  const { signal } = unmoved.moved
  if (unmoved.asking) return
  unmoved.asking = true
  const writer = await life.options.writerOf(life.name).catch(() => undefined)
  if (!life.still(signal)) return
  unmoved.asking = false
  if (life.image.state !== 'settling') return
  if (writer === undefined) return life.next.conclude()
  unmoved.writer = writer
  life.publish({})
  life.wakeIn(WRITER_AGAIN_MS, () => void lookThenProceed(life))
}

export async function lookThenProceed(life: LifeState): Promise<void> {
  const { signal } = life.unmoved.moved
  await life.options.look(life.name)
  if (life.still(signal)) life.next.proceed()
}
