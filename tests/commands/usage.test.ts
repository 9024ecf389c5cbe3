/** What people meet when something is wrong at the start: one clear sentence, the exit status, nothing lost. */
import { spawnSync } from 'node:child_process'
import { once } from 'node:events'
import { chmodSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs'
import { type AddressInfo, createServer } from 'node:net'
import { join } from 'node:path'
import { describe, expect, onTestFinished, test } from 'vitest'
import type { Entry } from '../../server/ledger/entries.ts'
import { fetchproof, type Outcome, PROGRAM, type RunOptions, run } from '../clients/program.ts'
import { exchange, request } from '../clients/raw-client.ts'
import {
  freePort,
  imageBytes,
  ledgerFile,
  serveFiles,
  serveFilesHere,
  serveHere,
  sha256,
  stagingFolder,
} from '../clients/served.ts'
import { ANOTHER_USER, needs } from '../needs.ts'
import { audit, inProcess } from './in-process.ts'

const IMAGE = imageBytes(5000)
/** Exit statuses of the program: 2 bad usage, settings or folder; 3 it could not start. */
const BAD_USE = 2
const NO_START = 3

/** `options`: in a process of its own. */
async function serveOnce(
  folder: string,
  flags: readonly string[] = [],
  options?: RunOptions,
): Promise<Outcome> {
  const port = flags.includes('--port') ? [] : ['--port', String(await freePort())]
  const args = ['serve', folder, '--page-port', '0', ...port, ...flags]
  return options === undefined ? inProcess(args) : fetchproof(args, options)
}

/** One sentence or two for a person on standard error; no stack, nothing on standard output. */
function expectSaid({ status, stdout, stderr }: Outcome, exit: number, ...words: (string | RegExp)[]): void {
  expect({ status, stdout }, stderr).toEqual({ status: exit, stdout: '' })
  expect(stderr).not.toMatch(/\n\s+at |node:internal|Error:/)
  expect(stderr.trim().split('\n').length, stderr).toBeLessThanOrEqual(3)
  expect(stderr.length).toBeLessThan(700)
  for (const word of words) expect(stderr).toMatch(word)
}

function contentsOf(folder: string): Record<string, string> {
  const files = readdirSync(folder, { recursive: true, withFileTypes: true }).filter((each) => each.isFile())
  return Object.fromEntries(
    files.map(({ parentPath, name }) => [
      join(parentPath, name),
      sha256(readFileSync(join(parentPath, name))),
    ]),
  )
}

const folderOf = (files: Record<string, Buffer> = { 'core.bin': IMAGE }): Promise<string> =>
  stagingFolder(files, onTestFinished)

describe('the staging folder', () => {
  test.each(['serve', 'images', 'audit', 'report'])('%s: missing', async (command) => {
    const folder = join(await folderOf(), 'not-there')
    const said = await fetchproof([command, folder])
    expectSaid(said, BAD_USE, /not-there does not exist/, /FP_FOLDER_MISSING/)
  })

  test('a file, not a folder', async () => {
    const folder = await folderOf()
    expectSaid(await serveOnce(join(folder, 'core.bin')), BAD_USE, /core\.bin is not a folder/)
    expect(readFileSync(join(folder, 'core.bin')).equals(IMAGE)).toBe(true)
  })

  test('not to be read by this user', needs('another user'), async () => {
    const outer = await folderOf()
    chmodSync(outer, 0o755)
    const folder = join(outer, 'staging')
    mkdirSync(folder, { mode: 0o700 })
    expectSaid(
      await serveOnce(folder, [], { uid: ANOTHER_USER }),
      BAD_USE,
      /staging cannot be read/,
      /permission/i,
    )
  })

  test('to be read but not written: no record, so nothing is served', needs('another user'), async () => {
    const outer = await folderOf({ 'staging/core.bin': IMAGE })
    chmodSync(outer, 0o755)
    const folder = join(outer, 'staging')
    chmodSync(folder, 0o755)
    expectSaid(await serveOnce(folder, [], { uid: ANOTHER_USER }), NO_START, /--records/)
  })

  test('of a path over 260 characters is served as any other', async () => {
    const inside = join(
      ...Array.from({ length: 6 }, () => 'ground floor, reading room, cabinet by the stairs'),
    )
    const served = await serveHere(join(await folderOf({ [join(inside, 'core.bin')]: IMAGE }), inside), {
      cleanUp: onTestFinished,
    })
    await served.image('core.bin')
    const answer = await fetch(`http://127.0.0.1:${served.port}/core.bin`)
    expect(Buffer.from(await answer.arrayBuffer()).equals(IMAGE)).toBe(true)
    await served.entry('fetch-ended')
    expect((await audit(served.folder)).fetches).toMatchObject([{ image: { name: 'core.bin' } }])
  })

  test('of a path longer than the system takes was told to check permissions', async () => {
    const said = await serveOnce(join(await folderOf(), 'cabinet'.repeat(60)))
    expectSaid(said, BAD_USE, /cannot be read \(ENAMETOOLONG\)\. Choose a folder with a shorter path/)
  })

  test(
    'on a stick that is full: one sentence, and nothing is served',
    needs('mount namespaces'),
    async () => {
      const stick = await folderOf({})
      const lines = `mount -t tmpfs -o size=64k none '${stick}' && mkdir '${stick}/staging' && head -c 65536 /dev/zero > '${stick}/staging/core.bin' 2>/dev/null; exec "$@"`
      const program = [
        process.execPath,
        PROGRAM,
        'serve',
        join(stick, 'staging'),
        '--port',
        '0',
        '--page-port',
        '0',
      ]
      const said = await run('unshare', ['--map-root-user', '--mount', 'sh', '-c', lines, 'sh', ...program])
      expectSaid(said, NO_START, /The disk that holds the ledger is full .*Free some space/)
    },
  )
})

describe('flags', () => {
  test.each<[string, readonly string[], RegExp]>([
    ['an unknown one', ['--frobnicate'], /--frobnicate/],
    ['a range that is none', ['--allow', '300.1.2.3/8'], /300\.1\.2\.3\/8 is not an address range/],
    ['a range of too many bits', ['--allow', '192.0.2.0/33'], /192\.0\.2\.0\/33/],
    ['a range with a name', ['--allow', 'everybody'], /everybody/],
    ['a port too high', ['--port', '70000'], /port.*70000.*65535/],
    ['a port that is no number', ['--port', 'http'], /http.*whole number/],
    [
      'a line to paste with a field misspelt',
      ['--paste', 'get {ulr}'],
      /\{ulr\} is no field.*\{url\} \{host\}/,
    ],
    ['a time that is no number', ['--settle-ms', '2s'], /2s.*whole number/],
    ['a negative time', ['--settle-ms=-5'], /-5/],
    ['no fetches at all', ['--max-fetches', '0'], /max.?fetches.*0/i],
    ['a format that serve has not', ['--format', 'csv'], /csv.*text, json/],
    ['two folders', ['second'], /argument/],
  ])('%s', async (_what, flags, words) => {
    const folder = await folderOf()
    const before = contentsOf(folder)
    const said = await serveOnce(folder, flags)
    expectSaid(said, BAD_USE, words)
    expect(contentsOf(folder)).toEqual(before)
  })

  test('an unknown command', async () => {
    expectSaid(await fetchproof(['frob']), BAD_USE, /frob/)
  })

  test.each<[string, readonly string[], RegExp]>([
    ['audit with an ending that there is not', ['audit', '--ending', 'eaten'], /eaten.*delivered/],
    ['audit with an ending for pulls', ['audit', '--ending', 'cut'], /--fetches/],
    ['audit with a state for fetches', ['audit', '--fetches', '--state', 'complete'], /--ending/],
    ['audit of the plan and of fetches', ['audit', '--plan', '--fetches'], /not both/],
    ['audit of the plan with a state', ['audit', '--plan', '--state', 'complete'], /leave out --state/],
    [
      'audit of the plan since',
      ['audit', '--plan', '--since', '17:47', '--client', 'x'],
      /--client and --since/,
    ],
    ['audit of the chain and the plan', ['audit', '--check', '--plan'], /leave out --plan/],
    ['audit of the chain as rows', ['audit', '--check', '--format', 'csv'], /--format csv/],
    ['audit of the chain of one client', ['audit', '--check', '--client', 'x'], /leave out --client/],
    ['audit since a time that is none', ['audit', '--since', '25:99'], /25:99 is not a valid time.*17:47/],
    ['audit of a folder that is not there', ['audit', 'no-such'], /no-such does not exist\. Check the name/],
    ['sheet of nothing, as JSON', ['sheet', '--example', '--format', 'json'], /--example/],
    ['match by somebody for no device', ['match', 'x', '--by', 'me'], /--by goes with --device/],
    ['lift without a reason', ['lift', 'core.bin'], /--reason/],
    ['observe without a device', ['observe'], /device/],
  ])('%s', async (_what, args, words) => {
    expectSaid(await inProcess(args), BAD_USE, words)
  })

  test('--help and --version are no errors', async () => {
    const help = await fetchproof(['serve', '--help'])
    expect(help).toMatchObject({ status: 0, stderr: '' })
    expect(help.stdout).toContain('--allow')
    expect(await fetchproof(['--version'])).toMatchObject({
      status: 0,
      stdout: expect.stringMatching(/^\d+\.\d+\.\d+\n$/),
    })
  })
})

describe('the image port', () => {
  test('taken: says by whom, and leaves the other alone', async () => {
    const other = createServer((socket) => socket.end()).listen(0, '127.0.0.1')
    await once(other, 'listening')
    onTestFinished(() => void other.close())
    const { port } = other.address() as AddressInfo
    const flags = ['--listen', '127.0.0.1', '--port', String(port)]
    const said = await serveOnce(await folderOf(), flags)
    expectSaid(said, NO_START, new RegExp(`Port ${port} on 127\\.0\\.0\\.1 is already taken`), /--port/)
    if (process.platform === 'linux') expect(said.stderr).toMatch(new RegExp(`\\b${process.pid}\\b`))
    expect(other.listening).toBe(true)
  })

  test('taken on one address alone, while we ask for all: not overlooked', async () => {
    const other = createServer((socket) => socket.end()).listen(0, '127.0.0.1')
    await once(other, 'listening')
    onTestFinished(() => void other.close())
    const { port } = other.address() as AddressInfo
    expectSaid(await serveOnce(await folderOf(), ['--port', String(port)]), NO_START, String(port))
  })

  test('an address that this machine has not (RFC 5737)', async () => {
    const said = await serveOnce(await folderOf(), ['--listen', '203.0.113.7'])
    expectSaid(said, NO_START, /no address 203\.0\.113\.7/, /127\.0\.0\.1/)
  })

  test('no lock is left behind: the next start succeeds', async () => {
    const folder = await folderOf()
    expect((await serveOnce(folder, ['--listen', '203.0.113.7'])).status).toBe(NO_START)
    const served = await serveHere(folder, { cleanUp: onTestFinished })
    await served.image('core.bin')
    const { client } = await exchange(served.port, request('/core.bin'))
    expect(client.bodySha256()).toBe(sha256(IMAGE))
  })
})

describe('the ledger', () => {
  test('held by a running server: says which, and that one goes on', async () => {
    const first = await serveFiles({ 'core.bin': IMAGE }, { cleanUp: onTestFinished })
    const said = await serveOnce(first.folder)
    expectSaid(said, NO_START, /already being served/, new RegExp(`process ${first.process.pid} `))
    const { client } = await exchange(first.port, request('/core.bin'))
    expect(client.bodySha256()).toBe(sha256(IMAGE))
    expect((await first.ended(client.port)).ending).toBe('delivered')
    expect(await first.stop()).toBe(0)
    expect(await inProcess(['audit', first.folder, '--check'])).toMatchObject({ status: 0 })
  })

  test('held by one that was killed: the lock is recognised as gone', async () => {
    const first = await serveFiles({ 'core.bin': IMAGE }, { cleanUp: onTestFinished })
    await first.kill()
    const second = await serveHere(first.folder, { cleanUp: onTestFinished })
    const { client } = await exchange(second.port, request('/core.bin'))
    expect(client.raw().toString('latin1')).toMatch(/^HTTP\/1\.1 (200|503) /)
    expect(await second.stop()).toBe(0)
    expect(await inProcess(['audit', first.folder, '--check'])).toMatchObject({ status: 0 })
    const said = await inProcess(['audit', first.folder, '--since', 'yesterdayish'])
    expectSaid(said, BAD_USE, /yesterdayish/)
  })

  test('several, one of them broken: a head that another one holds does not hide it', async () => {
    const folders: string[] = []
    let head = ''
    for (const name of ['one.bin', 'two.bin']) {
      const served = await serveFilesHere({ [name]: IMAGE }, { cleanUp: onTestFinished })
      expect(await served.stop()).toBe(0)
      folders.push(served.folder)
      head = (
        JSON.parse(readFileSync(ledgerFile(served.folder), 'utf8').trim().split('\n').at(-1) ?? '') as Entry
      ).sum
    }
    const check = (...more: string[]) => inProcess(['audit', ...folders, '--check', ...more])
    expect(await check('--head', head)).toMatchObject({ status: 0 })
    const none = await check('--head', 'f'.repeat(64))
    expect(none.status).toBe(1)
    expect(none.stdout).toContain('NONE of these ledgers holds the given head')
    const file = ledgerFile(folders[0] ?? '')
    writeFileSync(file, readFileSync(file, 'utf8').replace('one.bin', 'own.bin'))
    const broken = await check('--head', head)
    expect(broken.status).toBe(1)
    expect(broken.stdout).toMatch(/BROKEN at line/)
  })

  test('audited since a time of day: today is meant', async () => {
    const served = await serveFilesHere({ 'core.bin': IMAGE }, { cleanUp: onTestFinished })
    const { client } = await exchange(served.port, request('/core.bin'))
    await served.ended(client.port)
    expect(await served.stop()).toBe(0)
    const pulls = async (...flags: string[]): Promise<number> =>
      (await audit(served.folder, flags)).pulls.length
    expect([await pulls('--since', '00:00'), await pulls('--until', '00:00')]).toEqual([1, 0])
  })

  test('nothing as asked for: audit says that the filters leave nothing', async () => {
    const served = await serveFilesHere({ 'core.bin': IMAGE }, { cleanUp: onTestFinished })
    await exchange(served.port, request('/core.bin'))
    expect(await served.stop()).toBe(0)
    const { stdout, status } = await inProcess(['audit', served.folder, '--client', '203.0.113.9'])
    expect(status).toBe(0)
    expect(stdout).toContain('No pull matches these filters.')
  })

  test('shown to a full disk: audit says so, and does not hang', needs('Linux'), async () => {
    const served = await serveFilesHere({ 'core.bin': IMAGE }, { cleanUp: onTestFinished })
    expect(await served.stop()).toBe(0)
    const said = spawnSync(
      'sh',
      ['-c', '"$0" "$1" audit "$2" >/dev/full', process.execPath, PROGRAM, served.folder],
      {
        encoding: 'utf8',
        timeout: 20_000,
      },
    )
    expect(said).toMatchObject({
      status: 1,
      stderr: expect.stringMatching(/Not all of the output.*ENOSPC/),
    })
  })

  test('broken: says where, serves nothing, and leaves it byte for byte', async () => {
    const first = await serveFilesHere({ 'core.bin': IMAGE }, { cleanUp: onTestFinished })
    expect(await first.stop()).toBe(0)
    const edited = readFileSync(ledgerFile(first.folder), 'utf8').replace('core.bin', 'core.bim')
    writeFileSync(ledgerFile(first.folder), edited)
    const said = await serveOnce(first.folder)
    expect([1, NO_START]).toContain(said.status)
    expectSaid(said, said.status ?? 0, /broken at line 2/, /--records/)
    expect(readFileSync(ledgerFile(first.folder), 'utf8')).toBe(edited)
    expect(await inProcess(['audit', first.folder, '--check'])).toMatchObject({ status: 1 })
  })

  test('not to be written where --records says', async () => {
    const folder = await folderOf()
    const said = await serveOnce(folder, ['--records', join(folder, 'core.bin', 'records')])
    expectSaid(said, NO_START, /cannot be written/, /--records/)
  })

  test('absent: audit says so', async () => {
    expectSaid(await inProcess(['audit', await folderOf()]), BAD_USE, /no ledger in .*serve/)
  })
})

describe('fetchproof.json', () => {
  test.each<[string, string, RegExp]>([
    ['not JSON', '{"visit": ', /fetchproof\.json/],
    ['an unknown setting', '{"visitt": {}}', /visitt/],
    ['a list', '[]', /fetchproof\.json/],
    ['a port, which only the command line may set', '{"port": 9}', /port/],
    ['an admission, which only the command line may grant', '{"allow": ["0.0.0.0/0"]}', /allow/],
    ['records elsewhere, which only the command line may move', '{"records": "/tmp"}', /records/],
    ['a wrong type', '{"visit": {"engineer": 7}}', /engineer/],
    [
      'a line to paste with a control character',
      '{"paste": {"core": "copy {url}\\u001b[2J"}}',
      /paste|control/i,
    ],
  ])('%s', async (_what, json, words) => {
    const folder = await folderOf({ 'core.bin': IMAGE, 'fetchproof.json': Buffer.from(json) })
    const before = contentsOf(folder)
    expectSaid(await serveOnce(folder), BAD_USE, words)
    expect(contentsOf(folder)).toEqual(before)
  })
})
