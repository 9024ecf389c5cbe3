/** How a token and its proof are compared: by a call whose time says nothing of where they differ. */
import type { FastifyRequest } from 'fastify'
import { beforeEach, expect, test, vi } from 'vitest'
import { createTokenCheck } from '../../server/bench/request-guard.ts'
import { isProof, proofOf } from '../../server/bench/token-proof.ts'

const compared = vi.hoisted(() => [] as [number, number][])

vi.mock('node:crypto', async (original) => {
  const crypto = await original<typeof import('node:crypto')>()
  const timingSafeEqual: typeof crypto.timingSafeEqual = (a, b) => {
    compared.push([a.byteLength, b.byteLength])
    return crypto.timingSafeEqual(a, b)
  }
  return { ...crypto, timingSafeEqual }
})

const TOKEN = 'x'.repeat(43)
/** Wrong in the first place, in the last, nearly all of it, more of it, something else. */
const GUESSES = [`y${TOKEN.slice(1)}`, `${TOKEN.slice(1)}y`, TOKEN.slice(1), `${TOKEN}x`, 'z']

beforeEach(() => void compared.splice(0))

test.each(GUESSES)('the guess %s is compared whole, as one of the same length', (guess) => {
  const check = createTokenCheck(TOKEN)
  const asking = (text: string) => ({ headers: { authorization: `Bearer ${text}` } }) as FastifyRequest
  expect(() => check(asking(guess))).toThrow(expect.objectContaining({ code: 'FP_PAGE_TOKEN' }))
  expect(() => check(asking(TOKEN))).not.toThrow()
  expect(compared).toEqual([
    [32, 32],
    [32, 32],
  ])
})

test('a proof is compared whole wherever it is wrong', () => {
  const right = proofOf(TOKEN, 8081, 'n')
  const flipped = (digit: string | undefined): string => (digit === '0' ? '1' : '0')
  const wrong = [flipped(right[0]) + right.slice(1), right.slice(0, -1) + flipped(right.at(-1))]
  for (const proof of wrong) expect(isProof(proof, TOKEN, 8081, 'n')).toBe(false)
  expect(isProof(right, TOKEN, 8081, 'n')).toBe(true)
  expect(compared).toEqual([
    [64, 64],
    [64, 64],
    [64, 64],
  ])
})
