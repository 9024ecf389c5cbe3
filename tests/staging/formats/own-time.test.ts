/** The clock of a check: work counts, waiting does not where the system shows it. */
import { expect, test } from 'vitest'
import { createOwnTime } from '../../../server/staging/formats/own-time.ts'

function work(ms: number): void {
  for (const end = performance.now() + ms; performance.now() < end; );
}

test('work takes time', () => {
  const nowMs = createOwnTime()
  const before = nowMs()
  work(60)
  let tries = 0
  // On a busy machine a thread gets less of the processor than it asks for.
  while (nowMs() - before < 60 && tries++ < 200) work(60)
  expect(nowMs() - before).toBeGreaterThanOrEqual(60)
})

test.runIf(process.platform === 'linux')('waiting takes none', async () => {
  const nowMs = createOwnTime()
  const before = nowMs()
  Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 1_000)
  expect(nowMs() - before).toBeLessThan(500)
})
