/** What commands print on a terminal: nothing wider than it, no word broken, and while serving what matters stays in sight. */
import { join } from 'node:path'
import { describe, expect, onTestFinished, test, vi } from 'vitest'
import { device, noise } from '../bench/running.ts'
import { ask } from '../clients/raw-client.ts'
import { freePort, ledgerEntries, stagingFolder } from '../clients/served.ts'
import { sealed, writeLines } from '../ledger/records-folder.ts'
import { richVisit } from '../report/rich-visit.ts'
import { untold } from '../report/told-visit.ts'
import { inProcess } from './in-process.ts'
import { type PlayedTerminal, runOnTerminal } from './played-terminal.ts'

const WIDTHS = [60, 80, 120, 200] as const
const SHEET = `device,address,image,version_before,version_target,rollback
hollow-lane-reading-room-switch,127.0.0.11,core-switch-4.4.2-long-term-support.bin,4.1,4.4.2,core-switch-4.1.9.bin
hollow-lane-desk-switch,127.0.0.12,core-switch-4.4.2-long-term-support.bin,4.1,4.4.2,
hollow-lane-radio,127.0.0.13,radios/reading-room-radio-2.8.img,2.6,2.8,
`
const FILES = {
  'core-switch-4.4.2-long-term-support.bin': noise(12_000_000, 4),
  'core-switch-4.1.9.bin': noise(40_000, 5),
  'radios/reading-room-radio-2.8.img': noise(50_000, 6),
  'saved-page.bin': Buffer.from('<!doctype html>\n<title>Please log in</title>\n'),
  'visit.csv': Buffer.from(SHEET),
}
vi.setConfig({ testTimeout: 60_000 })

/** A path or a digest that is wider than the terminal stands whole on a line of its own, to be copied. */
function expectFits(lines: readonly string[], columns: number): void {
  const wide = lines.filter((line) => [...line].length > columns && / /.test(line.trim().replace(/ \\$/, '')))
  expect(wide).toEqual([])
}

/** Names may be shortened, a digest grouped; every other word is whole. */
function brokenWords(narrow: readonly string[], whole: string): string[] {
  const known = new Set(whole.split(/\s+/))
  const words = narrow.flatMap((line) => line.split(/\s+/))
  return words.filter((word) => !known.has(word) && !/…|^[0-9a-f]{8}$|^\\$/.test(word))
}

describe.each(WIDTHS)('a terminal of %i columns', (columns) => {
  test.each([['--plan'], ['--fetches'], ['--state', 'complete']])(
    'audit %s %s: no line is wider, and no word broken',
    async (...flags) => {
      const folder = await stagingFolder({ '.fetchproof/empty': Buffer.alloc(0) }, onTestFinished)
      writeLines(join(folder, '.fetchproof'), sealed(untold(richVisit())))
      const args = ['audit', folder, ...flags]
      const terminal = runOnTerminal(args, { columns })
      expect(await terminal.ended).toBe(0)
      const lines = terminal.lines()
      expect(lines.length).toBeGreaterThan(20)
      expectFits(lines, columns)
      expect(brokenWords(lines, (await inProcess(args)).stdout)).toEqual([])
    },
  )

  test('images and sheet: no line is wider, and no word broken', async () => {
    const files = { ...FILES, 'core-switch-4.4.2-long-term-support.bin': noise(50_000, 4) }
    const folder = await stagingFolder(files, onTestFinished)
    for (const [command, status] of [
      ['images', 1],
      ['sheet', 0],
    ] as const) {
      const terminal = runOnTerminal([command, folder], { columns })
      expect(await terminal.ended).toBe(status)
      expectFits(terminal.lines(), columns)
      expect(brokenWords(terminal.lines(), (await inProcess([command, folder])).stdout)).toEqual([])
    }
  })
})

describe.each([60, 80, 120])('serve on a terminal of %i columns', (columns) => {
  test('its start, a stall, a wrong image and its end fit; what matters stays below what scrolls', async () => {
    const folder = await stagingFolder(FILES, onTestFinished)
    const port = await freePort()
    const listening = ['--listen', '127.0.0.1', '--port', `${port}`, '--page-port', '0']
    const times = ['--settle-ms', '100', '--settle-unsure-ms', '300', '--stalled-ms', '300']
    const terminal = runOnTerminal(['serve', folder, ...listening, ...times], { columns })
    await terminal.line(/^0 of 3 done/)
    const start = terminal.lines()
    expect(start.filter((line) => /^Paste on each device|hollow-lane/.test(line)).length).toBeGreaterThan(3)
    // Where the line would be too wide, the short path stands in it.
    const pasted = start.filter((line) => line.includes(`http://127.0.0.1:${port}/`))
    expect(
      pasted.filter((line) => /\/core-switch-4\.4\.2\S*\.bin|\/[0-9a-f]{8}\.bin/.test(line)),
    ).not.toEqual([])
    await vi.waitFor(
      () => expect(ledgerEntries(folder).filter(({ kind }) => kind === 'image')).toHaveLength(4),
      { timeout: 20_000, interval: 100 },
    )
    // Paths of the folder and of the program differ in length from machine to machine, by a line or two. On a slow one
    // no image is ready yet, and each says why.
    const last = start.findIndex((line) => line.startsWith('Stop with Ctrl-C'))
    expect(last).toBeGreaterThan(10)
    expect(last).toBeLessThan(columns < 80 ? 58 : 52)

    const path = '/core-switch-4.4.2-long-term-support.bin'
    const stands = device({ port, path, from: '127.0.0.11', pauseAt: 3_000_000 })
    await terminal.line(/^ *\d+ % .*stalled/)
    // The reading room's switch stands still; the radio pulls what is planned for another device.
    await device({ port, path: '/core-switch-4.1.9.bin', from: '127.0.0.13' }).finish()
    await terminal.line(/^! .*hollow-lane-radio/)
    for (let more = 0; more < 30; more += 1) await ask(port, `/not-there-${more}.bin`)
    await terminal.line(/not-there-4/)
    const foot = footOf(terminal)
    expect(foot.find((line) => line.startsWith('! '))).toMatch(/hollow-lane-radio/)
    expect(foot.findIndex((line) => /^ *\d+ % .*stalled/.test(line))).toBe(1)
    expect(foot.join(' ')).toMatch(/0 of 3 done .*1 stalled .*1 needs attention .*1 waiting$/)

    await stands.finish()
    await terminal.line(/delivered/)
    terminal.press('SIGINT')
    expect(await terminal.ended).toBe(0)
    const end = terminal.lines().slice(terminal.lines().findIndex((line) => line.startsWith('Stopped.')))
    expect(end.join(' ')).toMatch(
      /Not done:.*needs attention +hollow-lane-radio.*Done: hollow-lane-reading-room/,
    )
    expect(end.join('\n')).toMatch(/\breport\b.* --output[\s\\]+visit-report\.html/s)
    expect(terminal.lines().filter((line) => line.includes('^C'))).toEqual([])
    expectFits(
      terminal.lines().filter((line) => !/^ *(http:|.*main\.js|\/)\S*/.test(line)),
      columns,
    )
  })
})

/** From the rule on. */
function footOf(terminal: PlayedTerminal): string[] {
  const lines = terminal.lines()
  return lines.slice(lines.findLastIndex((line) => /^─+$/.test(line))).filter((line) => line !== '')
}

test('without a terminal no line is broken and nothing is coloured', async () => {
  const folder = await stagingFolder(FILES, onTestFinished)
  const { stdout } = await inProcess(['images', folder])
  expect(stdout.split('\n').some((line) => line.length > 200)).toBe(true)
  expect(stdout).not.toContain('\u001b')
})

test.each([
  ['lift', 'fetchproof lift core.bin --reason'],
  ['observe', 'fetchproof observe desk-sw1 --before'],
  ['hold', 'fetchproof hold core.bin --reason'],
])('%s without arguments shows what to type', async (command, example) => {
  const { status, stderr } = await inProcess([command], '', { PATH: '' })
  expect(status).toBe(2)
  expect(stderr).toMatch(/missing required argument|required option/)
  expect(stderr).toContain(example.replace('fetchproof ', ''))
})

test('an error is a sentence; its code is for programs and for the log', async () => {
  const said = await inProcess(['images', '/not-there'], '', {})
  expect(said.stderr).toMatch(/does not exist/)
  expect(said.stderr).not.toContain('FP_')
  const program = await inProcess(['images', '/not-there', '--format', 'json'], '', {})
  expect(JSON.parse(program.stderr)).toMatchObject({ error: { code: 'FP_FOLDER_MISSING' } })
  const logged = await inProcess(['images', '/not-there'], '', { FETCHPROOF_LOG: 'warn' })
  expect(logged.stderr).toContain('(FP_FOLDER_MISSING)')
})

test('where the name is not on the path, a command to type is one that works here', async () => {
  const folder = await stagingFolder({}, onTestFinished)
  const { stderr } = await inProcess(['rehearse', folder], '', { PATH: '' })
  expect(stderr).toMatch(/Start "node \S+ serve" for it/)
})
