/** An image is read: its digests, or why the system does not let us. */
import { isFetchproofError, systemCode } from '../errors.ts'
import { sameFile } from '../files/folder.ts'
import { gapsOf } from './copy-traces.ts'
import type { Reading } from './digests.ts'
import type { Version } from './image.ts'
import { lockedReason } from './image-words.ts'
import { compareWithTouched } from './life-settling.ts'
import { type LifeState, quietOf } from './life-state.ts'
import { isOld } from './settling.ts'

export const RETRY_FIRST_MS = 250
const RETRY_MOST_MS = 5_000

export async function read(life: LifeState): Promise<void> {
  const { options, name, unmoved } = life
  const { signal } = unmoved.moved
  life.step('read', { progress: 0 })
  try {
    const result = await options.digests.read({
      bytes: Number(life.facts.sight.identity.size),
      signal,
      open: () => options.open(name),
      onProgress: (progress) => {
        if (life.still(signal) && life.image.state === 'reading') life.publish({ progress })
      },
    })
    if (!life.still(signal)) return
    // The name may lead to another file by now, although the one that was read did not change.
    await options.look(name)
    if (!life.still(signal)) return
    const { sight } = life.facts
    if (result.kind !== 'done' || !sameFile(result.value.identity, sight.identity))
      return life.next.restart(sight)
    const version = versionOf(result.value, !isOld(quietOf(life)))
    compareWithTouched(life, version.sha256)
    life.publish({ version, placed: options.place(version.sha256), progress: 1 })
    await unmoved.judging.now()
  } catch (error) {
    if (life.still(signal)) await readFailed(life, error)
  }
}

async function readFailed(life: LifeState, error: unknown): Promise<void> {
  const { unmoved } = life
  await life.options.look(life.name)
  if (!life.still(unmoved.moved.signal)) return
  if (isFetchproofError(error, 'FP_IMAGE_CHANGED')) return life.next.restart(life.facts.sight)
  const reason = lockedReason(systemCode(error) ?? String(error))
  life.step('denied', { reason, version: undefined, judgement: undefined })
  life.wakeIn(unmoved.retryMs, () => retry(life))
  unmoved.retryMs = Math.min(RETRY_MOST_MS, unmoved.retryMs * 2)
}

export function retry(life: LifeState): void {
  life.waitNoLonger()
  if (!life.ended && life.image.state === 'locked') void life.next.read()
}

function versionOf({ filling, ...reading }: Reading, isFresh: boolean): Version {
  const gaps = gapsOf(reading.bytes, filling, isFresh)
  return Object.freeze({ ...reading, more: Object.freeze({}), ...(gaps !== undefined && { gaps }) })
}
