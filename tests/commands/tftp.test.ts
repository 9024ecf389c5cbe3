/** `serve --tftp` on ports and addresses as they are: taken, forbidden, coming and going. */
import { createSocket } from 'node:dgram'
import { once } from 'node:events'
import { chownSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import { run } from '../clients/program.ts'
import { exchange, request } from '../clients/raw-client.ts'
import { freeUdpPort, imageBytes, serveFilesHere, serveFolder, stagingFolder } from '../clients/served.ts'
import { ANOTHER_USER, needs } from '../needs.ts'
import { pull } from '../tftp-port/door.ts'
import { audit, inProcess } from './in-process.ts'

const IMAGE = imageBytes(50_000)
const FILES = { 'core.bin': IMAGE }

async function stillServesByHttp(port: number): Promise<void> {
  const { client } = await exchange(port, request('/core.bin'))
  expect(client.body().equals(IMAGE)).toBe(true)
}

test('a port that another program has: one sentence by whom and what to do, and HTTP serves on', async () => {
  const other = createSocket('udp4').bind(0, '127.0.0.1')
  await once(other, 'listening')
  onTestFinished(() => void other.close())
  const { port } = other.address()
  const served = await serveFilesHere(FILES, {
    cleanUp: onTestFinished,
    flags: ['--tftp', '--tftp-port', String(port)],
  })
  const said = served.stderr().match(/^TFTP is not served: .*$/m)?.[0]
  expect(said).toContain(`Port ${port} on 127.0.0.1 is already taken`)
  expect(said).toContain('--tftp-port')
  if (process.platform === 'linux') expect(said).toContain(`process ${process.pid}`)
  await stillServesByHttp(served.port)
})

test(
  'a port that the system keeps for administrators: what allows it, and HTTP serves on',
  needs('another user', 'network namespaces'),
  async () => {
    const namespace = `fetchproof-69-${process.pid}`
    const ip = async (...args: string[]): Promise<void> =>
      expect(await run('ip', args)).toMatchObject({ status: 0 })
    await ip('netns', 'add', namespace)
    onTestFinished(() => ip('netns', 'delete', namespace))
    await ip('-n', namespace, 'link', 'set', 'lo', 'up')
    const folder = await stagingFolder(FILES, onTestFinished)
    for (const each of [folder, join(folder, 'core.bin')]) chownSync(each, ANOTHER_USER, ANOTHER_USER)
    const as = ['setpriv', `--reuid=${ANOTHER_USER}`, `--regid=${ANOTHER_USER}`, '--clear-groups']
    const served = await serveFolder(folder, {
      cleanUp: onTestFinished,
      under: ['ip', 'netns', 'exec', namespace, ...as],
      env: { HOME: folder },
      flags: ['--tftp'],
    })
    await served.image('core.bin')
    await expect.poll(served.stderr).toContain('TFTP is not served')
    const said = served.stderr().match(/^TFTP is not served: .*$/m)?.[0]
    expect(said).toContain('does not let you open port 69 on 127.0.0.1')
    expect(said).toContain('--tftp-port')
    expect(said).toContain('net.ipv4.ip_unprivileged_port_start=69')
  },
)

test(
  'an address that comes while serving is served, at the very address that was asked',
  needs('network namespaces', 'curl'),
  async () => {
    const namespace = `fetchproof-come-${process.pid}`
    const inside = ['netns', 'exec', namespace]
    const ip = async (...args: string[]): Promise<void> =>
      expect(await run('ip', args)).toMatchObject({ status: 0 })
    await ip('netns', 'add', namespace)
    onTestFinished(() => ip('netns', 'delete', namespace))
    for (const args of [
      ['link', 'set', 'lo', 'up'],
      ['link', 'add', 'desk0', 'type', 'veth', 'peer', 'name', 'desk1'],
      ['link', 'set', 'desk0', 'up'],
      ['link', 'set', 'desk1', 'up'],
      ['address', 'add', '192.0.2.10/24', 'dev', 'desk0'],
    ])
      await ip('-n', namespace, ...args)
    const folder = await stagingFolder(FILES, onTestFinished)
    const served = await serveFolder(folder, {
      cleanUp: onTestFinished,
      listen: '0.0.0.0',
      under: ['ip', ...inside],
      flags: ['--tftp'],
    })
    await served.image('core.bin')
    // Two addresses of one interface: an answer from the wrong one would be no answer.
    for (const address of ['192.0.2.10', '192.0.2.77']) {
      if (address === '192.0.2.77') {
        await ip('-n', namespace, 'address', 'add', `${address}/24`, 'dev', 'desk0')
        await served.entry('addresses')
      }
      const copy = join(folder, '..', `${namespace}-${address}`)
      onTestFinished(async () => void (await run('rm', ['-f', copy])))
      const args = ['-sS', '--retry', '3', '--connect-timeout', '8', '-o', copy]
      const outcome = await run('ip', [...inside, 'curl', ...args, `tftp://${address}/core.bin`])
      expect(outcome).toMatchObject({ status: 0 })
      expect(readFileSync(copy).equals(IMAGE)).toBe(true)
    }
    await served.stop()
    const { fetches } = await audit(folder)
    expect(fetches.map(({ localAddress, ending }) => [localAddress, ending])).toEqual([
      ['192.0.2.10', 'delivered'],
      ['192.0.2.77', 'delivered'],
    ])
  },
)

test('stopped while a device pulls: it gets an ERROR, and the record says withdrawn', async () => {
  const port = await freeUdpPort()
  const served = await serveFilesHere(FILES, {
    cleanUp: onTestFinished,
    flags: ['--tftp', '--tftp-port', String(port)],
  })
  const weather = { lost: 0, doubled: 0, late: 0, delayMs: 200 }
  const pulling = pull({ port }, 'core.bin', { weather })
  await served.entry('fetch-begun')
  expect(await served.stop(100)).toBe(0)
  expect((await pulling).done).toBe(false)
  expect((await audit(served.folder)).fetches).toMatchObject([
    { ending: 'withdrawn', reason: 'SIGINT', door: 'tftp' },
  ])
})

test('what is on offer by TFTP stands beside HTTP: urls of images, and the ports that a firewall has to let in', async () => {
  const port = await freeUdpPort()
  const served = await serveFilesHere(FILES, {
    cleanUp: onTestFinished,
    listen: '0.0.0.0',
    flags: ['--tftp', '--tftp-port', String(port)],
  })
  const { stdout } = await inProcess(['images', served.folder, '--format', 'json'])
  const { images } = JSON.parse(stdout) as { images: { urls: string[] }[] }
  const urls = images[0]?.urls ?? []
  const by = (door: string): number => urls.filter((url) => url.startsWith(`${door}:`)).length
  expect(by('tftp')).toBe(by('http'))
  expect(by('tftp')).toBeGreaterThan(0)
  for (const url of urls.filter((each) => each.startsWith('http:')))
    expect(urls).toContain(url.replace(/^http/, 'tftp').replace(`:${served.port}/`, `:${port}/`))
})
