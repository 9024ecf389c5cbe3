import { readFileSync } from 'node:fs'
import { connect } from 'node:net'
import { networkInterfaces } from 'node:os'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { imageBytes, serveFiles } from '../clients/served.ts'

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
  const served = await serveFiles({ 'small.bin': imageBytes(1000) }, { cleanUp: onTestFinished })
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
