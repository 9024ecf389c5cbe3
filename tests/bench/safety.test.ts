/** Who may ask the local API: nobody by another name, no other page, no change without the run's token. */
import { createHmac } from 'node:crypto'
import { mkdtemp, rm, writeFile } from 'node:fs/promises'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { isProof } from '../../server/bench/token-proof.ts'
import { change, codeOf, say } from './asking.ts'
import { type Running, startRunning } from './running.ts'

let run: Running
let pageFolder: string

beforeAll(async () => {
  pageFolder = await mkdtemp(join(tmpdir(), 'bench-page-'))
  await writeFile(join(pageFolder, 'index.html'), '<!doctype html><title>page</title>')
  await writeFile(join(pageFolder, '.hidden'), 'no')
  run = await startRunning({ bench: { pageFolder } })
  await run.stage('desk.bin', 'bytes of an image')
})

afterAll(async () => {
  await run.close()
  await rm(pageFolder, { recursive: true })
})

const PATHS = ['/', '/api/snapshot', '/api/stream', '/api/images', '/api/nothing']

describe('Host', () => {
  test.each(['127.0.0.1', 'localhost', 'LOCALHOST', '[::1]'])(
    'the loopback name %s is answered',
    async (name) => {
      const host = `${name}:${run.pagePort}`
      expect((await say(run, { path: '/api/images', fields: { host } })).status).toBe(200)
    },
  )

  test.each([
    'attacker.example',
    'localhost.attacker.example',
    '127.0.0.1.attacker.example',
    '192.0.2.10',
    '127.0.0.2',
    'localhost@attacker.example',
    '',
  ])('the name "%s" is refused everywhere', async (name) => {
    for (const path of PATHS) {
      const heard = await say(run, { path, fields: { host: `${name}:${run.pagePort}` } })
      expect(heard.status, path).toBe(403)
      expect(codeOf(heard)).toBe('FP_PAGE_HOST')
    }
  })

  test('a loopback name with another port, or none, is refused', async () => {
    for (const host of ['localhost', 'localhost:80', `localhost:${run.pagePort + 1}`, 'localhost:x']) {
      expect((await say(run, { path: '/api/images', fields: { host } })).status, host).toBe(403)
    }
  })
})

describe('other pages', () => {
  const lift = { name: 'desk.bin', reason: 'because' }

  test.each([
    'http://attacker.example',
    'null',
    'https://127.0.0.1',
    'http://localhost:1',
    'http://127.0.0.1',
  ])('the origin %s can neither read nor change, not even with the token', async (origin) => {
    const read = await say(run, { path: '/api/snapshot', fields: { origin } })
    expect([read.status, codeOf(read)]).toEqual([403, 'FP_PAGE_ORIGIN'])
    const changed = await change(run, '/api/lift', lift, { origin })
    expect([changed.status, codeOf(changed)]).toEqual([403, 'FP_PAGE_ORIGIN'])
  })

  test('localhost is another origin than 127.0.0.1, each is its own', async () => {
    const host = `localhost:${run.pagePort}`
    const own = await say(run, { path: '/api/images', fields: { host, origin: `http://${host}` } })
    expect(own.status).toBe(200)
    const other = await say(run, { path: '/api/images', fields: { host, origin: run.page } })
    expect(other.status).toBe(403)
  })

  test.each(['cross-site', 'same-site'])(
    'a browser request that is %s is refused without an Origin too',
    async (site) => {
      const read = await say(run, { path: '/api/snapshot', fields: { 'sec-fetch-site': site } })
      expect(codeOf(read)).toBe('FP_PAGE_ORIGIN')
      const changed = await change(run, '/api/ready-now', { name: 'desk.bin' }, { 'sec-fetch-site': site })
      expect(codeOf(changed)).toBe('FP_PAGE_ORIGIN')
    },
  )

  test('the page itself can be followed to from elsewhere, but not framed', async () => {
    const heard = await say(run, { path: '/', fields: { 'sec-fetch-site': 'cross-site' } })
    expect(heard.status).toBe(200)
    expect(heard.fields['content-security-policy']).toContain("frame-ancestors 'none'")
  })

  test('nothing allows another origin by CORS, nor its preflight', async () => {
    const preflight = await say(run, {
      method: 'OPTIONS',
      path: '/api/lift',
      fields: { origin: 'http://attacker.example', 'access-control-request-method': 'POST' },
    })
    expect(preflight.status).toBe(403)
    expect(Object.keys(preflight.fields).filter((name) => name.startsWith('access-control'))).toEqual([])
  })
})

describe('the token', () => {
  const CHANGES = [
    ['POST', '/api/token'],
    ['POST', '/api/lift'],
    ['POST', '/api/ready-now'],
    ['POST', '/api/observed'],
    ['PUT', '/api/drop?name=a.bin'],
  ] as const

  test.each(CHANGES)('%s %s needs it', async (method, path) => {
    const tokens = [
      '',
      'Bearer',
      `Bearer ${run.token}x`,
      `Bearer ${run.token.slice(1)}`,
      run.token,
      `Basic ${run.token}`,
    ]
    for (const authorization of tokens) {
      const fields = { 'content-type': 'application/json', ...(authorization !== '' && { authorization }) }
      const heard = await say(run, { method, path, fields, body: '{}' })
      expect([heard.status, codeOf(heard)], authorization).toEqual([401, 'FP_PAGE_TOKEN'])
    }
  })

  test('that of another run is refused, that of this run is known', async () => {
    const other = await startRunning()
    const old = await change(run, '/api/token', {}, { authorization: `Bearer ${other.token}` })
    await other.close()
    expect(old.status).toBe(401)
    expect((await change(run, '/api/token', {})).status).toBe(204)
  })

  test('who asks with a nonce is shown that it is known here, for this port alone', async () => {
    const nonce = 'n'.repeat(43)
    const { text } = await say(run, { path: `/api/proof?nonce=${nonce}` })
    const { proof } = JSON.parse(text) as { proof: string }
    // RFC 2104 by Node's own crypto.
    const signed = (port: number): string =>
      createHmac('sha256', run.token).update(`fetchproof page ${port} ${nonce}`).digest('hex')
    expect(proof).toBe(signed(run.pagePort))
    expect(isProof(proof, run.token, run.pagePort, nonce)).toBe(true)
    expect(isProof(proof, run.token, run.pagePort + 1, nonce)).toBe(false)
    expect(isProof(undefined, run.token, run.pagePort, nonce)).toBe(false)
    expect((await say(run, { path: '/api/proof?nonce=short' })).status).toBe(400)
  })

  test('it is in no answer', async () => {
    for (const path of ['/', '/api/snapshot', '/api/images']) {
      expect((await say(run, { path })).text).not.toContain(run.token)
    }
  })
})

test.each(['/%61pi/snapshot', '/api/%73napshot', '/api%2Fsnapshot', '//api/snapshot'])(
  'a path spelt in another way passed the check of the origin: %s',
  async (path) => {
    const heard = await say(run, { path, fields: { origin: 'http://attacker.example' } })
    expect(heard.text).not.toContain('"images"')
    const own = await say(run, { path })
    expect(own.fields['cache-control']).toBe('no-store')
    if (own.status === 200) expect([heard.status, codeOf(heard)]).toEqual([403, 'FP_PAGE_ORIGIN'])
  },
)

describe('every answer', () => {
  test.each(PATHS.filter((path) => path !== '/api/stream'))('%s carries the safety headers', async (path) => {
    const { fields } = await say(run, { path })
    const policy = String(fields['content-security-policy'])
    expect(policy).toContain("default-src 'none'")
    expect(policy).not.toContain('unsafe')
    expect(fields['x-content-type-options']).toBe('nosniff')
    expect(fields['referrer-policy']).toBe('no-referrer')
    if (path.startsWith('/api/')) expect(fields['cache-control']).toBe('no-store')
  })

  test('unknown keys, wrong types and bodies that are no JSON are errors', async () => {
    const bad: [string, object][] = [
      ['/api/lift', { name: 'desk.bin', reason: 'x', force: true }],
      ['/api/lift', { name: 'desk.bin' }],
      ['/api/lift', { name: 'desk.bin', reason: '   ' }],
      ['/api/lift', { name: ['desk.bin'], reason: 'x' }],
      ['/api/ready-now', { name: 'desk.bin', now: 'yes' }],
      [
        '/api/observed',
        { device: 'd', note: 'n', digest: { algorithm: 'sha256', value: 'ab'.repeat(32), sure: 1 } },
      ],
    ]
    for (const [path, body] of bad) {
      const heard = await change(run, path, body)
      expect([heard.status, codeOf(heard)], JSON.stringify(body)).toEqual([400, 'FP_PAGE_REQUEST'])
    }
    expect((await say(run, { path: '/api/images?all=1' })).status).toBe(400)
    const authorization = `Bearer ${run.token}`
    for (const type of ['application/json', 'text/plain', 'application/x-www-form-urlencoded']) {
      const fields = { authorization, 'content-type': type }
      const heard = await say(run, { method: 'POST', path: '/api/lift', fields, body: 'name=desk.bin' })
      expect(heard.status, type).toBe(400)
    }
  })

  test('the page folder gives nothing but what is in it', async () => {
    for (const path of [
      '/.hidden',
      '/../../etc/hostname',
      '/%2e%2e/%2e%2e/etc/hostname',
      '/..%2f..%2fetc%2fhostname',
    ]) {
      expect([400, 403, 404], path).toContain((await say(run, { path })).status)
    }
  })
})
