import { fileURLToPath } from 'node:url'
import { expect, test } from 'vitest'
import { run } from '../clients/program.ts'
import { needs } from '../needs.ts'

const MINUTES = 30

test(`under a steady load for ${MINUTES} minutes memory, open files and latency stay where they are`, {
  timeout: (MINUTES + 5) * 60_000,
  ...needs('Linux'),
}, async () => {
  const script = fileURLToPath(new URL('../../scripts/soak/main.mjs', import.meta.url))
  const args = [script, '--minutes', String(MINUTES)]
  const { status, stdout, stderr } = await run(process.execPath, args, {
    timeoutMs: (MINUTES + 4) * 60_000,
  })
  process.stdout.write(stdout)
  expect({ status, stderr }).toEqual({ status: 0, stderr: '' })
})
