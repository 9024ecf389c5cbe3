/**
 * The commands of README.md, each of them run as it stands there, in the order in which a reader meets them: in a
 * folder with a practice staging folder of its own, against a server on free ports. What cannot be run is listed
 * here with the reason; a command that is neither run nor listed fails.
 */
import { type ChildProcess, spawn } from 'node:child_process'
import { once } from 'node:events'
import { cpSync, mkdirSync, mkdtempSync, readFileSync, rmSync, symlinkSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest'
import { type Outcome, run } from '../clients/program.ts'
import { freePort, sha256 } from '../clients/served.ts'
import { inProcess } from '../commands/in-process.ts'
import { needs } from '../needs.ts'

const root = fileURLToPath(new URL('../..', import.meta.url))
const readme = readFileSync(join(root, 'README.md'), 'utf8')
const scripts = (
  JSON.parse(readFileSync(join(root, 'package.json'), 'utf8')) as { scripts: Record<string, string> }
).scripts

const NOT_RUN: Readonly<Record<string, string>> = {
  'npm ci && npm start': 'takes the packages away that this test runs with; its second half is run below',
  'npm ci && npm test': 'runs this test; .ci/run is it',
  'npm run portable': 'fetches runtimes of other systems; tests/portable builds the one for Linux',
  'npm pack': 'tests/portable/package.test.ts packs',
  'npm install -g ./fetchproof-0.1.0.tgz':
    'tests/portable/package.test.ts installs, into a folder of its own',
  'npm link': "changes this machine's path for good",
  'npm run demo': 'is to be looked at, and lasts longer than a test',
}

/** Fenced as shell, or in the text between backticks. */
const fenced = [...readme.matchAll(/^```sh\n(.*?)^```$/gms)].flatMap((block) =>
  (block[1] ?? '').trim().split('\n'),
)
const named = [...readme.matchAll(/`((?:npm|npx|node|curl|fetchproof) [^`\n]+)`/g)].map(
  (match) => match[1] ?? '',
)
const commands = [...new Set([...fenced, ...named])]
/** Shows which arguments there are, and stands for none: `<image>`, `[folder]`, `…`. */
const isUsage = (command: string): boolean => /[<[…]/.test(command.replace(/>\s+\S+$/, ''))

const place = mkdtempSync(join(tmpdir(), 'fetchproof-readme-'))
const started: ChildProcess[] = []
const ran = new Set<string>()
let head = ''
let port = 0
vi.setConfig({ testTimeout: 60_000, hookTimeout: 60_000 })

beforeAll(async () => {
  // What a clone holds after `npm ci` and a build.
  for (const name of ['dist', 'scripts']) symlinkSync(join(root, name), join(place, name), 'junction')
  cpSync(join(root, 'staging'), join(place, 'staging'), {
    recursive: true,
    filter: (from) => !from.includes('.fetchproof'),
  })
  mkdirSync(join(place, 'visits', 'hollow-lane'), { recursive: true })
  writeFileSync(join(place, 'visits', 'hollow-lane', 'core.bin'), 'an image of that visit')
  port = await freePort()
})

afterAll(async () => {
  for (const child of started) await stopped(child)
  rmSync(place, { recursive: true, force: true, maxRetries: 3 })
})

/** What differs here from a reader's own machine; nothing else of a command is changed. */
function here(command: string): string {
  const program = `"${process.execPath}" dist/server/main.js`
  return command
    .replace(/^npm start$/, scripts.start ?? 'npm start')
    .replace(/^(node dist\/server\/main\.js|fetchproof)\b/, program)
    .replace('npm run --silent try', `${scripts.try} http://127.0.0.1:${port}/practice-image.bin`)
    .replace('~/', `${place}/`)
    .replace('HEX', head)
}

function shell(command: string, input = ''): Promise<Outcome> {
  ran.add(command)
  return run('sh', ['-c', `printf %s '${input}' | ${here(command)}`], { cwd: place })
}

/** Serves on ports that are free; resolves with what it printed when this line has come. */
async function serves(
  command: string,
  own: number,
  until: RegExp,
): Promise<{ child: ChildProcess; said: string }> {
  ran.add(command)
  const line = `exec ${here(command)} --listen 127.0.0.1 --port ${own} --page-port 0 --settle-unsure-ms 1000`
  const child = spawn('sh', ['-c', line], { cwd: place, stdio: ['ignore', 'pipe', 'inherit'] })
  started.push(child)
  let said = ''
  child.stdout.setEncoding('utf8').on('data', (text: string) => {
    said += text
  })
  await vi.waitFor(() => expect(said).toMatch(until), { timeout: 30_000, interval: 50 })
  return { child, said }
}

async function stopped(child: ChildProcess): Promise<number | null> {
  if (child.exitCode !== null) return child.exitCode
  const gone = once(child, 'exit')
  child.kill('SIGINT')
  await gone
  return child.exitCode
}

test('shell blocks are marked as such, so that none is overlooked', () => {
  const opening = [...readme.matchAll(/^```(.*)$/gm)].filter((_fence, at) => at % 2 === 0)
  for (const [, language] of opening) expect(['sh', 'text', 'csv', 'json', 'sql']).toContain(language)
  expect(fenced.length).toBeGreaterThan(2)
})

describe('the commands of the README, by a POSIX shell', needs('POSIX'), () => {
  test('quick start: serves what it says, a fetch arrives whole, and audit says so', async () => {
    const { child, said } = await serves(
      'npm start',
      port,
      /ready +practice-image\.bin|practice-image\.bin is ready/,
    )
    const shown = /^ready +practice-image\.bin.*$/m.exec(readme)?.[0]
    // Where the computer was slow, it was ready after the table, and a line of its own says the same.
    for (const fact of ['295,226', 'aca9193fe491', 'matches (SHA-256)'])
      expect([shown?.includes(fact), said.includes(fact)], fact).toEqual([true, true])
    expect(said).toMatch(/Bench page \(this laptop only\): http:\/\/127\.0\.0\.1:\d+\/#token=/)

    const tried = await shell('npm run --silent try')
    expect(tried).toMatchObject({ status: 0, stderr: '' })
    expect(tried.stdout).toContain('It is the practice image, byte for byte.')

    expect(await stopped(child)).toBe(0)
    const audit = await shell('node dist/server/main.js audit')
    expect(audit).toMatchObject({ status: 0, stderr: '' })
    expect(audit.stdout).toMatch(
      /^(complete|unconfirmed) +100 % +127\.0\.0\.1 +practice-image\.bin .*aca9193fe491/m,
    )
    expect(audit.stdout).toMatch(/\d+ entries, intact; head [0-9a-f]{64}/)
    head = /head ([0-9a-f]{64})/.exec(audit.stdout)?.[1] ?? ''
  })

  test('another folder', async () => {
    const own = await freePort()
    const { child, said } = await serves(
      'node dist/server/main.js serve ~/visits/hollow-lane',
      own,
      /core\.bin/,
    )
    expect(said).toContain(join(place, 'visits', 'hollow-lane'))
    expect(await stopped(child)).toBe(0)
  })

  test('a visit sheet to begin from, the record, and the report', async () => {
    expect((await shell('fetchproof sheet --example')).stdout).toMatch(/^device,address,mac,via,image/)
    expect(await shell('fetchproof sheet --example > staging/visit.csv')).toMatchObject({
      status: 0,
      stdout: '',
    })
    expect(readFileSync(join(place, 'staging', 'visit.csv'), 'utf8')).toMatch(/^device,address,mac,via,image/)

    expect((await shell('fetchproof audit --check')).stdout).toContain(`intact; head ${head}`)
    expect(await shell('fetchproof audit --check --head HEX')).toMatchObject({ status: 0 })
    expect((await shell('fetchproof audit')).stdout).toContain(`intact; head ${head}`)
    expect((await shell('fetchproof report')).stdout).toMatch(/^<!doctype html>[\s\S]*practice-image\.bin/)
    const digest = sha256(readFileSync(join(place, 'staging', 'practice-image.bin')))
    expect(await shell('fetchproof match', `SHA-256 of flash: ${digest}`)).toMatchObject({
      status: 0,
      stdout: expect.stringContaining('practice-image.bin'),
    })
  })

  test('every command was run, shows only its usage, or stands on the list of those that cannot be', () => {
    const left = commands.filter((command) => !ran.has(command) && !isUsage(command) && !(command in NOT_RUN))
    expect(left).toEqual([])
    expect(Object.keys(NOT_RUN).filter((command) => !commands.includes(command))).toEqual([])
  })
})

describe('usages', () => {
  test.each(commands.filter(isUsage))('%s', async (usage) => {
    const [, command = '', ...given] = usage.split(' ')
    const { status, stdout } = await inProcess([command, '--help'])
    expect(status).toBe(0)
    const [synopsis = ''] = stdout.split('\n')
    for (const flag of given.filter((word) => word.startsWith('--'))) expect(stdout).toContain(flag)
    // `<…>` must be given, `[…]` may be; "several" is written as an ellipsis there and as dots in the help.
    const argument = /(?<= )[<[](?!options)/
    expect(argument.exec(synopsis.replace('[options]', ''))?.[0]).toBe(argument.exec(usage)?.[0])
  })

  test('every flag in the table of serve is one, and every flag of serve stands there', async () => {
    const { stdout } = await inProcess(['serve', '--help'])
    const section = /### serve\n(.*?)\n### /s.exec(readme)?.[1] ?? ''
    const inTable = [...section.matchAll(/^\| (`--[^|]*) \|/gm)].flatMap(
      ([, cell]) => cell?.match(/--[a-z-]+/g) ?? [],
    )
    const inHelp = [...stdout.matchAll(/^ +(?:-\w, )?(--[a-z-]+)/gm)].map((match) => match[1] ?? '')
    expect(new Set(inTable)).toEqual(new Set(inHelp.filter((flag) => flag !== '--help')))
    const defaults = [
      ...stdout.replace(/\s+/g, ' ').matchAll(/(--[a-z-]+) <\w+> ((?! --).)*?default: (\d+)\)/g),
    ]
    expect(defaults.length).toBeGreaterThan(4)
    for (const [, flag = '', , usual = ''] of defaults)
      expect(section.split('\n').find((row) => row.includes(`\`${flag}`))).toContain(usual)
  })
})
