/** What the program's own log tells of a fetch, from outside. */
import { expect, onTestFinished, test } from 'vitest'
import { exchange, request } from '../clients/raw-client.ts'
import { imageBytes, serveFiles, serveFilesHere } from '../clients/served.ts'

interface Line {
  readonly part: string
  readonly fetch?: number
  readonly msg: string
}

async function told(
  env: NodeJS.ProcessEnv,
  serve: typeof serveFiles | typeof serveFilesHere,
): Promise<{ lines: Line[]; id: number }> {
  const served = await serve({ 'core.bin': imageBytes(20_000) }, { cleanUp: onTestFinished, env })
  const { client } = await exchange(served.port, request('/core.bin'))
  const { id } = await served.ended(client.port)
  await served.stop()
  const lines = served.stderr().split('\n')
  return { lines: lines.filter((line) => line.startsWith('{')).map((line) => JSON.parse(line) as Line), id }
}

test('FETCHPROOF_LOG=debug tells the steps of a fetch in their order, each under its part', async () => {
  const { lines, id } = await told({ FETCHPROOF_LOG: 'debug' }, serveFiles)
  const steps = lines.filter(({ fetch }) => fetch === id).map(({ part, msg }) => `${part}: ${msg}`)
  expect(steps[0]).toBe('http: fetch-begun')
  expect(steps).toContain('delivery: all handed')
  expect(steps).toContain('delivery: client closed')
  expect(steps.at(-1)).toBe('delivery: fetch-ended')
  expect(new Set(lines.map(({ part }) => part))).toEqual(new Set(['http', 'delivery', 'staging', 'ledger']))
})

test('without it the log says nothing of what goes well', async () => {
  expect((await told({}, serveFilesHere)).lines).toEqual([])
})
