/** The demo, run to its end: everything that it announces is seen on its bench page, and every device gets to its end. */
import { spawn } from 'node:child_process'
import { readFile, rm } from 'node:fs/promises'
import { dirname } from 'node:path'
import { fileURLToPath } from 'node:url'
import { expect, onTestFinished, test } from 'vitest'
import { needs } from './needs.ts'

const DEMO = fileURLToPath(new URL('../scripts/demo/main.mjs', import.meta.url))

/** Each stands in what the page is told at some moment of the evening. */
const ANNOUNCED = {
  'a held image': /camera-firmware\.bin is held: This is not firmware/,
  'a refusal': /"standing":"refused: 409/,
  'a stall': /"mark":"stalled"/,
  'a pull that breaks': /hollow-lane-sw3 has only part of /,
  'a wrong image': /desk-phone \([\d.]+\) pulls quillon-ap-reading-room-2\.7\.img; planned is phones/,
  'a printed digest': /"standing":"confirmed/,
  'the end': /"tally":"All 8 pulled\. Compare digests on 7 devices, then save the report"/,
}

test('what the demo announces is seen', { timeout: 180_000, ...needs('Linux') }, async () => {
  const demo = spawn(process.execPath, [DEMO, '--once'], { stdio: ['ignore', 'pipe', 'inherit'] })
  onTestFinished(() => void demo.kill())
  const exited = new Promise<number | null>((exit) => demo.on('exit', exit))
  let said = ''
  const page = new Promise<string>((found) => {
    demo.stdout.setEncoding('utf8').on('data', (piece: string) => {
      said += piece
      const address = /Bench page[^:]*: (http:\S+?)\/#/.exec(said)?.[1]
      if (address !== undefined) found(address)
    })
  })
  const stream = await fetch(`${await page}/api/stream`)
  let told = ''
  for await (const piece of stream.body?.pipeThrough(new TextDecoderStream()) ?? []) told += piece
  expect(await exited).toBe(0)
  const report = /The record of the evening, to print and sign:\s+(\S+)/.exec(said)?.[1] ?? ''
  onTestFinished(() => rm(dirname(report), { recursive: true }))
  for (const [what, form] of Object.entries(ANNOUNCED)) expect(form.test(told), what).toBe(true)
  expect(said).toContain('Nothing is open.')
  expect(await readFile(report, 'utf8')).toContain('Hollow Lane branch')
})
