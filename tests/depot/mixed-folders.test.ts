/** Thirty folders of everything that people put into one; a thousand in the slow tier. Needs the built program. */
import { expect, it } from 'vitest'
import { wrongInAll } from './mixed-folders.ts'

it('folders of all kinds of files: whole images offered, broken ones and wrong digests held, nothing else taken', async () => {
  const seeds = Array.from({ length: 30 }, (_, at) => `folder ${at}`)
  expect(await wrongInAll(seeds)).toEqual([])
})
