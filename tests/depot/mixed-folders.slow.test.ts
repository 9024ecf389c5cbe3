import { expect, it } from 'vitest'
import { wrongInAll } from './mixed-folders.ts'

it('a thousand folders of all kinds of files', { timeout: 1_800_000 }, async () => {
  const seeds = Array.from({ length: 1_000 }, (_, at) => `folder ${at}`)
  expect(await wrongInAll(seeds)).toEqual([])
})
