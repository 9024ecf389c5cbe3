import { readdirSync, readFileSync, statSync, writeFileSync } from 'node:fs'
import { createServer } from 'node:http'
import { type AddressInfo, connect } from 'node:net'
import { networkInterfaces } from 'node:os'
import { join } from 'node:path'
import { expect, onTestFinished, test, vi } from 'vitest'
import { readPageToken } from '../../server/commands/page-token.ts'
import { imageBytes, serveFilesHere, serveFolder, serveHere, stagingFolder } from '../clients/served.ts'
import { needs } from '../needs.ts'
import { inProcess } from './in-process.ts'

/** `open`, or the system's code of why not. */
function knock(host: string, port: number): Promise<string> {
  return new Promise((known) => {
    const socket = connect({ host, port, timeout: 2_000 })
    const tell = (what: string): void => {
      socket.destroy()
      known(what)
    }
    socket.on('connect', () => tell('open'))
    socket.on('error', (error: NodeJS.ErrnoException) => tell(error.code ?? error.message))
    socket.on('timeout', () => tell('no answer'))
  })
}

test('the bench page answers on 127.0.0.1 and on no other address of this machine', async () => {
  const served = await serveFilesHere({ 'small.bin': imageBytes(1000) }, { cleanUp: onTestFinished })
  const lock = join(served.folder, '.fetchproof', 'lock.json')
  const { pagePort } = JSON.parse(readFileSync(lock, 'utf8')) as { pagePort: number }
  expect(await knock('127.0.0.1', pagePort)).toBe('open')
  const others = Object.values(networkInterfaces())
    .flatMap((addresses) => addresses ?? [])
    .filter(({ address, scopeid }) => address !== '127.0.0.1' && !scopeid)
    .map(({ address }) => address)
  for (const address of [...others, '127.0.0.2']) {
    expect(await knock(address, pagePort), address).not.toBe('open')
  }
})

/** What the running server of a folder says to a token, once its page is there. */
async function answerToToken(folder: string, token: string): Promise<number> {
  const lock = join(folder, '.fetchproof', 'lock.json')
  const pagePort = await vi.waitUntil(
    () => (JSON.parse(readFileSync(lock, 'utf8')) as { pagePort: number | null }).pagePort,
    { timeout: 20_000 },
  )
  const asked = { method: 'POST', headers: { authorization: `Bearer ${token}` } }
  return (await fetch(`http://127.0.0.1:${pagePort}/api/token`, asked)).status
}

test('the token stays with the folder over a restart, and --new-token renews it', {
  timeout: 90_000,
}, async () => {
  const folder = await stagingFolder({}, onTestFinished)
  const first = await serveHere(folder, { cleanUp: onTestFinished })
  expect(await answerToToken(folder, 'another')).toBe(401)
  const token = readPageToken(join(folder, '.fetchproof')) ?? ''
  expect(token).toMatch(/^[\w-]{43}$/)
  await first.stop()
  const second = await serveHere(folder, { cleanUp: onTestFinished })
  expect(await answerToToken(folder, token)).toBe(204)
  await second.stop()
  await serveHere(folder, { cleanUp: onTestFinished, flags: ['--new-token'] })
  expect(await answerToToken(folder, token)).toBe(401)
  expect(await answerToToken(folder, readPageToken(join(folder, '.fetchproof')) ?? '')).toBe(204)
})

test(
  'nothing of the folder gives the token away, and others read neither it nor the record',
  needs('POSIX'),
  async () => {
    const folder = await stagingFolder({}, onTestFinished)
    await serveHere(folder, { cleanUp: onTestFinished })
    const records = join(folder, '.fetchproof')
    const token = await vi.waitUntil(() => readPageToken(records), { timeout: 20_000 })
    expect(await answerToToken(folder, token)).toBe(204)
    for (const name of readdirSync(records))
      expect(readFileSync(join(records, name), 'latin1')).not.toContain(token)
    const modeOf = (path: string): number => statSync(path).mode & 0o777
    expect([modeOf(records), modeOf(join(records, 'ledger.ndjson'))]).toEqual([0o700, 0o600])
    const state = join(process.env.XDG_STATE_HOME ?? '', 'fetchproof')
    expect(modeOf(state)).toBe(0o700)
    for (const name of readdirSync(state)) expect(modeOf(join(state, name)), name).toBe(0o600)
  },
)

test('where the home folder cannot be written, the server says so and serves', needs('POSIX'), async () => {
  const folder = await stagingFolder({ 'core.bin': imageBytes(5_000) }, onTestFinished)
  const env = { HOME: '/dev/null', XDG_STATE_HOME: '' }
  const served = await serveFolder(folder, { cleanUp: onTestFinished, env, flags: ['--format', 'text'] })
  const said = /token of the bench page could not be kept for your user \(ENOTDIR\)/
  await vi.waitFor(() => expect(served.otherLines.join('\n')).toMatch(said), 20_000)
  const statusOf = async (): Promise<number> =>
    (await fetch(`http://127.0.0.1:${served.port}/core.bin`)).status
  await vi.waitFor(async () => expect(await statusOf()).toBe(200), 20_000)
})

test('a lock that names the port of another program makes no command tell it the token', async () => {
  const served = await serveFilesHere({ 'empty.bin': Buffer.alloc(0) }, { cleanUp: onTestFinished })
  const heard: (string | undefined)[] = []
  const other = createServer(({ headers }, response) => {
    heard.push(headers.authorization)
    response.end('{"proof":"ab"}')
  })
  await new Promise<void>((listening) => other.listen(0, '127.0.0.1', listening))
  onTestFinished(() => void other.close())
  const file = join(served.folder, '.fetchproof', 'lock.json')
  const lock = JSON.parse(readFileSync(file, 'utf8')) as object
  const { port } = other.address() as AddressInfo
  writeFileSync(file, JSON.stringify({ ...lock, pagePort: port }))
  const { status, stderr } = await inProcess([
    'lift',
    'empty.bin',
    '--folder',
    served.folder,
    '--reason',
    'x',
  ])
  expect(status).not.toBe(0)
  expect(stderr).toContain('does not know the token of this folder')
  expect(heard).toEqual([undefined])
  writeFileSync(file, JSON.stringify(lock))
})
