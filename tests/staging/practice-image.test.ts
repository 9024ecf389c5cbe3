import { execFileSync } from 'node:child_process'
import { cpSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { gunzipSync } from 'node:zlib'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { type Stage, stage, until } from './stage.ts'

const staging = fileURLToPath(new URL('../../staging/', import.meta.url))

let place: Stage
beforeEach(async () => {
  place = await stage()
})
afterEach(() => place.close())

describe('the practice image', () => {
  it('matches its published checksum and is a sound gzip member of time 0', () => {
    const image = readFileSync(join(staging, 'practice-image.bin'))
    const checked = execFileSync('sha256sum', ['-c', 'practice-image.bin.sha256'], {
      cwd: staging,
      encoding: 'utf8',
    })
    expect(checked).toBe('practice-image.bin: OK\n')
    execFileSync('gzip', ['-t'], { input: image })
    expect(gunzipSync(image).subarray(0, 14).toString()).toBe('PRACTICE IMAGE')
    expect(image.readUInt32LE(4)).toBe(0)
  })

  it('is all that the default staging folder offers', async () => {
    cpSync(staging, place.folder, { recursive: true, filter: (path) => !path.endsWith('.fetchproof') })
    const catalogue = await place.open()
    await until(catalogue, 'practice-image.bin', (image) => image?.state === 'ready')
    expect(catalogue.images().map(({ name }) => name)).toEqual(['practice-image.bin'])
  })
})
