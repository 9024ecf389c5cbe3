import { describe, expect, it } from 'vitest'
import { IMAGE_STATES, type ImageState } from '../../server/staging/image.ts'
import { type ImageStep, nextState } from '../../server/staging/image-states.ts'

const STEPS: readonly ImageStep[] = ['moved', 'read', 'denied', 'unsure', 'offer', 'withhold']

describe('the states of an image', () => {
  it.each(IMAGE_STATES)('%s goes back to settling when the file moves', (state) => {
    expect(nextState(state, 'moved')).toBe('settling')
  })

  it('reach ready only from settling, reading and held, never from locked', () => {
    const from = (state: ImageState) => {
      try {
        return nextState(state, 'offer')
      } catch {
        return undefined
      }
    }
    expect(IMAGE_STATES.filter((state) => from(state) === 'ready')).toEqual([
      'settling',
      'reading',
      'ready',
      'held',
    ])
  })

  it('refuse every step that is not theirs', () => {
    const refused = IMAGE_STATES.flatMap((state) =>
      STEPS.filter((step) => {
        try {
          nextState(state, step)
          return false
        } catch (error) {
          expect(String(error)).toContain(state)
          return true
        }
      }).map((step) => `${state} ${step}`),
    )
    expect(refused).toEqual([
      'settling unsure',
      'reading read',
      'locked denied',
      'locked unsure',
      'locked offer',
      'locked withhold',
      'ready read',
      'ready denied',
      'ready unsure',
      'held read',
      'held denied',
      'held unsure',
    ])
  })
})
