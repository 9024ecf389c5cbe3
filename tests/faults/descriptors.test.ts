/** The limit of open files reached: nobody is served falsely, nothing ends, and it passes by itself. */
import { readdirSync } from 'node:fs'
import { expect, onTestFinished, test } from 'vitest'
import { onPath, run } from '../clients/program.ts'
import { ask, connectRaw, exchange, parseHead, type RawClient, request } from '../clients/raw-client.ts'
import { imageBytes, ledgerEntries, type Served, serveFiles, sha256 } from '../clients/served.ts'

const IMAGE = imageBytes(8 * 1024 * 1024, 'descriptors')

test.skipIf(!onPath('prlimit'))(
  'with all descriptors taken by connections it does not end, and serves again when they close',
  async () => {
    const served = await serveFiles({ 'image.bin': IMAGE }, { cleanUp: onTestFinished })
    await limitDescriptors(served, 24)
    const underWay = await ask(served.port, '/image.bin')
    onTestFinished(() => underWay.reset())
    await underWay.readBody(100_000)

    const many: RawClient[] = []
    onTestFinished(async () => {
      await Promise.all(many.map((client) => client.reset()))
    })
    for (let at = 0; at < 150; at += 1) many.push(await connectRaw(served.port))
    const asked = await Promise.all(
      many.slice(-20).map(async (client) => {
        client.send(request('/image.bin'))
        return client.head().then(
          ({ status }) => status,
          () => 'closed',
        )
      }),
    )
    console.log(asked.join(' '), served.process.exitCode, served.stderr())
    expect(served.process.exitCode).toBe(null)
    await Promise.all(many.map((client) => client.reset()))
    expect(await underWay.readToEnd()).toBe('closed')
    await underWay.close()
    expect(underWay.bodySha256()).toBe(sha256(IMAGE))
    const { raw, client } = await exchange(served.port, request('/image.bin'))
    expect(parseHead(raw)?.status).toBe(200)
    expect(client.bodySha256()).toBe(sha256(IMAGE))
    await served.ended(client.port)
    expect(await served.stop()).toBe(0)
    console.log(ledgerEntries(served.folder).map((e) => JSON.stringify(e).slice(0, 300)).join('\n'))
  },
)

/** From now on the program may open only so many files more than it has open (prlimit(1), util-linux). */
async function limitDescriptors({ process: child }: Served, more: number): Promise<void> {
  const open = readdirSync(`/proc/${child.pid}/fd`).length
  const { status } = await run('prlimit', ['--pid', String(child.pid), `--nofile=${open + more}`])
  if (status !== 0) throw new Error('the limit of open files cannot be set')
}
