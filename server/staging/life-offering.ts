/** An image is offered or held, by what was found and what persons decided; and its digests, as they become known. */
import { isJudged, type Version } from './image.ts'
import { EMPTY, heldText } from './image-words.ts'
import type { LifeState } from './life-state.ts'

/** Everything is known: ready, or held. Also called again when the judgement of a judged image changed. */
export function conclude(life: LifeState): void {
  const { options, name, unmoved, image: before } = life
  const { version, judgement } = life.facts
  if (version === undefined || judgement === undefined) return
  const found = version.bytes === 0 ? [EMPTY] : judgement.holds
  const decision = options.decide(name, version.sha256, found)
  if (decision.hold === undefined) life.step('offer', decision)
  else life.step('withhold', { ...decision, reason: heldText(decision.hold) })
  options.keepPath()
  options.store.put(name, version, judgement)
  options.onJudged(life.image)
  const offered = unmoved.touched ?? before
  unmoved.touched = undefined
  if (offered.state === 'ready' && life.image.state === 'held') options.onLost(offered, 'held')
  void digestInBackground(life, version)
}

/** The other digests that devices and makers print; nobody waits for them. */
async function digestInBackground(life: LifeState, version: Version): Promise<void> {
  const { unmoved } = life
  const { signal } = unmoved.moved
  if (unmoved.background) return
  unmoved.background = true
  const more = await life.options.further.rest(life.name, version, signal)
  if (more !== undefined && !signal.aborted) learn(life, more)
}

export function learn(life: LifeState, more: Readonly<Record<string, string>>): void {
  const { version, judgement } = life.facts
  if (version === undefined) return
  const learnt: Version = Object.freeze({ ...version, more: Object.freeze({ ...version.more, ...more }) })
  life.publish({ version: learnt })
  if (judgement !== undefined && isJudged(life.image)) life.options.store.put(life.name, learnt, judgement)
}

/** A person decided something: it counts at once, also for what is read again at the moment. */
export function decided(life: LifeState): void {
  const { options, name, unmoved, image } = life
  if (isJudged(image)) {
    conclude(life)
    return
  }
  const { touched } = unmoved
  const sha256 = touched?.version?.sha256
  if (touched?.state !== 'ready' || sha256 === undefined) return
  if (options.decide(name, sha256, []).hold === undefined) return
  unmoved.touched = undefined
  options.onLost(touched, 'held')
}
