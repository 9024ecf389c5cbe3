/** The process that checks: order, crash, hang, abort, end. Needs the built program (`npm run build`). */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { pathToFileURL } from 'node:url'
import { gzipSync } from 'node:zlib'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { DEFAULT_LIMITS } from '../../../server/trust/formats/budget.ts'
import { createFormatChecker, type FormatChecker } from '../../../server/trust/formats/check-queue.ts'

let folder = ''
let checker: FormatChecker | undefined
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'checker-'))
})
afterEach(async () => {
  await checker?.close()
  checker = undefined
  rmSync(folder, { recursive: true, force: true })
})

function put(name: string, content: string | Uint8Array): string {
  const file = join(folder, name)
  writeFileSync(file, content)
  return file
}

/** A process that does as the file's name says. */
function odd(limits = DEFAULT_LIMITS, graceMs = 3_000): FormatChecker {
  const script = put(
    'odd.mjs',
    `process.on('message', ({ name }) => {
      if (name === 'crash') throw new Error('no more')
      if (name === 'exit') process.exit(3)
      if (name === 'hang') for (;;);
      if (name === 'slow') for (let said = 0; said < 20; said += 1) {
        Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 100)
        process.send({ goesOn: true })
      }
      if (name === 'memory') { const all = []; for (;;) all.push(new Array(100000).fill(name)) }
      process.send({ found: { kind: name, verdict: 'sound', covers: 'contents', notes: [] } })
    })`,
  )
  return createFormatChecker({ script: pathToFileURL(script), limits, graceMs })
}

describe('format checks in a process of their own', () => {
  it('answers for several files asked for at once', async () => {
    checker = createFormatChecker()
    const whole = gzipSync(Buffer.alloc(100_000, 'county'))
    const good = put('good.gz', whole)
    const bad = put('bad.gz', whole.subarray(0, -3))
    const found = await Promise.all([
      checker.check(good, { name: 'good.gz' }),
      checker.check(bad, { name: 'bad.gz' }),
      checker.check(join(folder, 'none.gz'), { name: 'none.gz' }),
    ])
    expect(found.map(({ kind, verdict }) => [kind, verdict])).toEqual([
      ['gzip', 'sound'],
      ['gzip', 'damaged'],
      ['not checked', 'unknown'],
    ])
    expect(found[2]?.detail).toContain('ENOENT')
  })

  it.each([
    ['crash', 'exit code 1'],
    ['exit', 'exit code 3'],
    ['memory', 'broke off'],
  ])('answers unknown after a %s of the process, and goes on with a new one', async (name, why) => {
    checker = odd()
    const [first, second] = await Promise.all([
      checker.check('x', { name }),
      checker.check('x', { name: 'well' }),
    ])
    expect(first).toMatchObject({ kind: 'not checked', verdict: 'unknown' })
    expect(first.detail).toContain(why)
    expect(second).toMatchObject({ kind: 'well', verdict: 'sound' })
  })

  it('ends a check that hangs, and goes on with the next', async () => {
    checker = odd({ ...DEFAULT_LIMITS, timeMs: 100 })
    const hung = await checker.check('x', { name: 'hang' })
    expect(hung.detail).toContain('did not end')
    expect((await checker.check('x', { name: 'well' })).verdict).toBe('sound')
  })

  it('waits for a check that takes longer but says that it goes on', async () => {
    checker = odd({ ...DEFAULT_LIMITS, timeMs: 50 }, 1_450)
    expect((await checker.check('x', { name: 'slow' })).verdict).toBe('sound')
  })

  it('settles everything when it is closed, twice if need be', async () => {
    checker = odd()
    const open = [checker.check('x', { name: 'hang' }), checker.check('x', { name: 'well' })]
    await Promise.all([checker.close(), checker.close()])
    for (const found of await Promise.all(open)) expect(found.detail).toBe('The program is ending.')
    expect((await checker.check('x', { name: 'well' })).verdict).toBe('unknown')
  })
})
