/**
 * A borrowed staging folder whose packer meant harm: links, named pipes and devices where our own files would
 * stand, links with the names of images, settings made to hurt. Nothing outside the folder is touched or told,
 * nothing hidden is offered, and no command waits for ever.
 */
import { execFileSync } from 'node:child_process'
import {
  existsSync,
  lstatSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  rmdirSync,
  symlinkSync,
  writeFileSync,
} from 'node:fs'
import { join } from 'node:path'
import { describe, expect, onTestFinished, test } from 'vitest'
import { fetchproof, type Outcome } from '../clients/program.ts'
import { exchange, parseHead, request } from '../clients/raw-client.ts'
import { imageBytes, putFile, serveFolder, serveHere, sha256, stagingFolder } from '../clients/served.ts'
import { inProcess } from '../commands/in-process.ts'
import { needs } from '../needs.ts'
import { residentKib } from './process-facts.ts'
import { commandsIn } from './terminal-commands.ts'

const CORE = imageBytes(20_000, 'core')
const VICTIM = 'a private text, no line end'

/** A staging folder with an image, beside it a file that is none of its business. */
async function borrowed(): Promise<{ outer: string; folder: string; records: string; victim: string }> {
  const outer = await stagingFolder({}, onTestFinished)
  const folder = join(outer, 'staging')
  const records = join(folder, '.fetchproof')
  mkdirSync(records, { recursive: true })
  putFile(folder, 'core.bin', CORE)
  const victim = join(outer, 'victim')
  writeFileSync(victim, VICTIM)
  return { outer, folder, records, victim }
}

const FLAGS = ['--listen', '127.0.0.1', '--port', '0', '--page-port', '0']

/** `serve` that is expected not to start. */
function failingServe(folder: string): Promise<Outcome> {
  return inProcess(['serve', folder, ...FLAGS])
}

/** The same in a process of its own, which a named pipe would hold up for ever. */
function waitingServe(folder: string): Promise<Outcome> {
  return fetchproof(['serve', folder, ...FLAGS], { timeoutMs: 15_000 })
}

describe('our own files in a borrowed folder', needs('POSIX'), () => {
  test.each(['reserve', 'ledger.ndjson', 'lock.json'])(
    'a link for %s neither empties, fills nor copies the file that it leads to',
    async (name) => {
      const { folder, records, victim } = await borrowed()
      symlinkSync(victim, join(records, name))
      const { status, stderr } = await failingServe(folder)
      expect(status).toBe(3)
      expect(stderr).toContain('FP_LEDGER_FOREIGN')
      expect(stderr).toContain(name)
      expect(readFileSync(victim, 'utf8')).toBe(VICTIM)
      for (const left of readdirSync(records)) {
        if (lstatSync(join(records, left)).isFile())
          expect(readFileSync(join(records, left), 'utf8')).not.toContain(VICTIM)
      }
    },
  )

  test.each(['reserve', 'ledger.ndjson', 'lock.json'])(
    'a link for %s that leads nowhere makes no file there',
    async (name) => {
      const { outer, folder, records } = await borrowed()
      symlinkSync(join(outer, 'not-yet'), join(records, name))
      expect((await failingServe(folder)).stderr).toContain('FP_LEDGER_FOREIGN')
      expect(existsSync(join(outer, 'not-yet'))).toBe(false)
    },
  )

  test('a link for the whole records folder writes nothing where it leads', async () => {
    const { outer, folder, records } = await borrowed()
    const other = join(outer, 'other')
    mkdirSync(other)
    rmdirSync(records)
    symlinkSync(other, records)
    expect((await failingServe(folder)).stderr).toContain('FP_LEDGER_FOREIGN')
    expect(readdirSync(other)).toEqual([])
  })

  test.each(['reserve', 'ledger.ndjson', 'lock.json'])(
    'a named pipe for %s holds nothing up',
    async (name) => {
      const { folder, records } = await borrowed()
      execFileSync('mkfifo', [join(records, name)])
      const { status, stderr } = await waitingServe(folder)
      expect([status, stderr]).toEqual([3, expect.stringContaining('FP_LEDGER_FOREIGN')])
      // Commands that read may do without it or refuse; null would be their deadline.
      if (name === 'reserve') return
      const command = name === 'ledger.ndjson' ? 'audit' : 'images'
      const told = await fetchproof([command, folder], { timeoutMs: 15_000 })
      expect(told.status).not.toBe(null)
      expect(told.stderr).not.toContain('unforeseen')
    },
  )

  test.each([
    ['a named pipe', (path: string): void => void execFileSync('mkfifo', [path])],
    ['64 MiB of nesting', (path: string): void => writeFileSync(path, '['.repeat(65 * 1024 * 1024))],
    [
      'another form',
      (path: string): void => writeFileSync(path, '{"form":1,"images":{"__proto__":{"size":1}}}'),
    ],
  ])('%s for catalogue.json costs a reading, never correctness', async (_what, plant) => {
    const { folder, records } = await borrowed()
    plant(join(records, 'catalogue.json'))
    const served = await serveFolder(folder, { cleanUp: onTestFinished })
    expect((await served.image('core.bin')).sha256).toBe(sha256(CORE))
    expect(residentKib(served)).toBeLessThan(256 * 1024)
    expect(await served.stop()).toBe(0)
    expect(lstatSync(join(records, 'catalogue.json')).isFile()).toBe(true)
  })
})

describe('links with the names of images', needs('POSIX'), () => {
  test('what is hidden, reserved or ours is never offered through a link', async () => {
    const { folder } = await borrowed()
    const secret = imageBytes(5000, 'secret')
    mkdirSync(join(folder, '.hidden'))
    putFile(folder, '.hidden/deep.bin', secret)
    putFile(folder, '.secret.bin', secret)
    putFile(folder, 'half.bin.part', secret)
    const leads = {
      'a.bin': '.hidden/deep.bin',
      'b.bin': '.secret.bin',
      token: '.fetchproof/lock.json',
      ledger: '.fetchproof/ledger.ndjson',
      reserve: '.fetchproof/reserve',
      'c.bin': 'half.bin.part',
      'd.bin': 'a.bin',
      'core-link.bin': 'core.bin',
    }
    for (const [name, to] of Object.entries(leads)) symlinkSync(to, join(folder, name))
    symlinkSync('.hidden', join(folder, 'sub'))
    symlinkSync('.fetchproof', join(folder, 'records'))
    const served = await serveHere(folder, { cleanUp: onTestFinished })
    // A link to another image is one more name of it: seen last, so that the others have had their turn.
    await served.image('core-link.bin')
    const token = JSON.parse(readFileSync(join(folder, '.fetchproof', 'lock.json'), 'utf8')) as {
      token: string
    }
    const asked = [...Object.keys(leads), 'sub/deep.bin', 'records/lock.json']
    for (const name of asked.filter((each) => each !== 'core-link.bin')) {
      const { raw } = await exchange(served.port, request(`/${name}`))
      expect(parseHead(raw)?.status, name).toBe(404)
      expect(raw.includes(token.token)).toBe(false)
    }
    const { client } = await exchange(served.port, request('/core-link.bin'))
    expect(client.bodySha256()).toBe(sha256(CORE))
    expect(await served.stop()).toBe(0)
    const offered = served.entries.flatMap((entry) => (entry.kind === 'image' ? [entry.name] : []))
    expect(new Set(offered)).toEqual(new Set(['core.bin', 'core-link.bin']))
  })
})

describe('fetchproof.json made to hurt', () => {
  const ESC = '\u001b[2J'
  const HURTING: readonly (readonly [string, string, number])[] = [
    ['broken with an escape sequence', `${ESC}{bad`, 2],
    ['an escape sequence as an unknown setting', JSON.stringify({ [`${ESC}x`]: 1 }), 2],
    ['an escape sequence as a wrong value', JSON.stringify({ visit: `${ESC}x` }), 2],
    ['an escape sequence as the name of a line to paste', JSON.stringify({ paste: { [ESC]: '\u0007' } }), 2],
    ['brackets without end', '['.repeat(200_000), 2],
    ['visits within visits', `${'{"visit":'.repeat(20_000)}1${'}'.repeat(20_000)}`, 2],
    ['lists within links', `{"linkMbps":${'['.repeat(100_000)}${']'.repeat(100_000)}}`, 2],
    ['a line of 100 MB', `{"paste":{"a":"${'x'.repeat(100_000_000)}"}}`, 2],
    ['the prototype as a setting', '{"__proto__":{"visit":{"engineer":"x"}}}', 2],
    ['what would admit everybody', '{"allow":["0.0.0.0/0"]}', 2],
  ]

  test.each(HURTING)('%s: said in words, without a control character', async (_what, text, expected) => {
    const { folder } = await borrowed()
    writeFileSync(join(folder, 'fetchproof.json'), text)
    const { status, stdout, stderr } = await failingServe(folder)
    expect(stderr).toMatch(/FP_SETTING_(BAD|UNKNOWN)/)
    expect(stderr).not.toContain('unforeseen')
    expect([status, stdout]).toEqual([expected, ''])
    expect(commandsIn(stderr)).toEqual([])
    expect(stderr.length).toBeLessThan(1500)
  })

  test('as a named pipe it holds nothing up', needs('POSIX'), async () => {
    const { folder } = await borrowed()
    execFileSync('mkfifo', [join(folder, 'fetchproof.json')])
    const { status, stderr } = await waitingServe(folder)
    expect([status, stderr]).toEqual([2, expect.stringContaining('regular file')])
  })

  test('lines to paste that are named like the prototype are lines like others', async () => {
    const { folder } = await borrowed()
    const paste = '{"__proto__":"get {url}","constructor":"copy {path}"}'
    writeFileSync(join(folder, 'fetchproof.json'), `{"paste":${paste}}`)
    const served = await serveHere(folder, { cleanUp: onTestFinished })
    await served.image('core.bin')
    expect(await served.stop()).toBe(0)
  })

  test.each(['{__proto__}', '{constructor}', '{toString}'])(
    '%s is no field of a line to paste',
    async (field) => {
      const { folder } = await borrowed()
      writeFileSync(join(folder, 'fetchproof.json'), JSON.stringify({ paste: { core: `copy ${field}` } }))
      const { status, stderr } = await inProcess(['images', folder])
      expect([status, stderr]).toEqual([
        2,
        expect.stringContaining(`${field} is no field of a line to paste`),
      ])
    },
  )
})
