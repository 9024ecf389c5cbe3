/**
 * What one more door takes: a line protocol over a Unix socket, thrown away with this test. A client writes
 * `ADDRESS NAME`, reads `SIZE` and so many bytes, and writes `got it`. All that is below the doors stays as it is: pull,
 * ending, audit and standing come by themselves.
 */
import { once } from 'node:events'
import { connect, createServer, type Socket } from 'node:net'
import { join } from 'node:path'
import { expect, onTestFinished, test } from 'vitest'
import type { Wire } from '../../server/delivery/fetch.ts'
import { denialOf } from '../../server/depot/admission.ts'
import type { Depot } from '../../server/depot/depot.ts'
import { imageBytes, putFile } from '../clients/served.ts'
import { audit } from '../commands/in-process.ts'
import { needs } from '../needs.ts'
import { openGround } from './ground.ts'

async function answer({ admission, delivery }: Depot, line: string, socket: Socket): Promise<void> {
  const [address = '', target = ''] = line.split(' ')
  const asked = {
    door: 'line',
    client: delivery.clientAt(address, undefined),
    localAddress: '192.0.2.1',
    target,
  }
  const refuse = (reason: string, denial?: string): void => {
    delivery.refuse({ ...asked, reason, ...(denial !== undefined && { denial }) })
    socket.end(`${reason}\n`)
  }
  try {
    const admitted = admission.admit(asked, target)
    if (admitted.kind === 'denied') return refuse(admitted.reason, admitted.denial)
    if (admitted.kind !== 'image') return refuse('only images are served here')
    const { bytes } = admitted.image.version
    const begun = await delivery.begin(asked, admitted.image, { first: 0, promised: bytes })
    socket.write(`${bytes}\n`)
    begun.start(wireOf(socket))
  } catch (error) {
    refuse(denialOf(error)?.reason ?? String(error))
  }
}

function wireOf(socket: Socket): Wire {
  const write = (piece: Uint8Array, taken: () => void): void => void socket.write(piece, taken)
  return {
    write,
    end: write,
    endOfStream: () => undefined,
    release: () => void socket.end(),
    reset: () => void socket.destroy(),
    watch({ acknowledged, gaveUp, lost }) {
      socket.on('data', (said) =>
        String(said) === 'got it\n' ? acknowledged() : gaveUp(String(said).trim()),
      )
      socket.on('close', () => lost('the connection was closed'))
    },
  }
}

const SOON = { timeout: 20_000 }

/** What a device does at that door: the whole answer, and what it says of it. */
async function pull(path: string, line: string, verdict: string): Promise<Buffer> {
  const socket = connect(path)
  socket.write(`${line}\n`)
  let came = Buffer.alloc(0)
  socket.on('data', (piece: Buffer) => {
    came = Buffer.concat([came, piece])
    const head = came.indexOf('\n') + 1
    if (head > 0 && came.length - head === Number.parseInt(came.toString('latin1', 0, head), 10))
      socket.write(verdict)
  })
  await once(socket, 'close')
  return came.subarray(came.indexOf('\n') + 1)
}

test(
  'a third door is a parser and a wire: pull, ending, audit and standing come by themselves',
  needs('POSIX'),
  async () => {
    const image = imageBytes(300_000, 'line')
    const { depot, folder, close } = await openGround({
      files: { 'panel.bin': image },
      settings: { allow: ['192.0.2.0/24'] },
      cleanUp: onTestFinished,
    })
    const sheet =
      'device,address,image\nsw1,192.0.2.11,panel.bin\nsw2,192.0.2.12,panel.bin\nsw3,192.0.2.13,panel.bin\n'
    putFile(folder, 'visit.csv', Buffer.from(sheet))
    const path = join(folder, '.fetchproof', 'line.sock')
    const server = createServer((socket) => {
      socket.once('data', (line: Buffer) => void answer(depot, String(line).trim(), socket))
    })
    server.listen(path)
    onTestFinished(() => void server.close())
    const standings = (): string =>
      (depot.visit.plan()?.devices ?? []).map(({ standing }) => standing).join(', ')
    await expect.poll(standings, SOON).toBe('waiting, waiting, waiting')
    expect((await pull(path, '192.0.2.11 /panel.bin', 'got it\n')).equals(image)).toBe(true)
    await pull(path, '192.0.2.12 /panel.bin', 'flash is full\n')
    await pull(path, '198.51.100.9 /panel.bin', '')
    await expect.poll(standings, SOON).toBe('pulled, waiting, waiting')
    depot.hold('panel.bin', 'the wrong one')
    await pull(path, '192.0.2.13 panel.bin', '')
    await expect.poll(standings, SOON).toBe('contradicted, waiting, refused')
    await close()
    const { fetches, pulls } = await audit(folder)
    expect(pulls.map(({ state }) => state)).toEqual(['complete', 'incomplete'])
    expect(fetches.map(({ door, client, ending, reason }) => [door, client.address, ending, reason])).toEqual(
      [
        ['line', '192.0.2.11', 'delivered', null],
        ['line', '192.0.2.12', 'cut', 'flash is full'],
        ['line', '198.51.100.9', 'refused', expect.stringContaining('in none of the ranges')],
        ['line', '192.0.2.13', 'refused', expect.stringContaining('is held')],
      ],
    )
  },
)
