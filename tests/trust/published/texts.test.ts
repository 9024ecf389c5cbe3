/** Every kind of text in the folder: the image's own digest matches, one wrong digit holds it, nothing is silent. */
import { describe, expect, it } from 'vitest'
import { createPublishedChecksums } from '../../../server/trust/published/published-checksums.ts'
import { type Digests, digestsOf, IMAGE, OTHER, oneDigitWrong, TEXTS } from '../digests/texts.ts'

const OWN = digestsOf('image of the reading room')
const OTHERS = digestsOf('image of the lobby')

async function standing(file: string, text: string | Uint8Array, name = IMAGE, own: Digests = OWN) {
  const book = createPublishedChecksums({ imageNames: () => [IMAGE, OTHER] })
  await book.set(file, text)
  return book.standingOf(name, (algorithm) => own[algorithm])
}

describe('texts as people find them', () => {
  it('are of sixty kinds and more', () => {
    expect(Object.keys(TEXTS).length).toBeGreaterThanOrEqual(60)
  })

  it.each(Object.entries(TEXTS))('%s', async (_kind, { file, text }) => {
    const good = await standing(file, text(OWN, OTHERS))
    expect(good).toMatchObject({ standing: 'matches', source: expect.stringContaining(`${file}, line `) })
    const wrong = await standing(file, text(oneDigitWrong(OWN), OTHERS))
    expect(wrong).toMatchObject({ standing: 'differs', source: expect.stringContaining(`${file}, line `) })
    const beside = await standing(file, text(OWN, oneDigitWrong(OTHERS)))
    expect(beside.standing).toBe('matches')
  })

  it.each(Object.entries(TEXTS).filter(([, { text }]) => String(text(OWN, OTHERS)).includes(OTHER)))(
    'gives the other file its own: %s',
    async (_kind, { file, text }) => {
      const { standing: other } = await standing(file, text(OWN, OTHERS), OTHER, OTHERS)
      expect(other).toBe('matches')
    },
  )
})
