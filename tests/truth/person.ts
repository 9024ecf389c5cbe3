/**
 * What a person does during a truth run: holds images (by hand, or by a published checksum that differs) and ends the
 * holds, pastes what a device printed, writes down which version it runs, replaces files, sets the laptop's clock. All
 * that is recorded of a device is true of it at that moment, or struck.
 */
import { writeFileSync } from 'node:fs'
import { join } from 'node:path'
import { setTimeout as pause } from 'node:timers/promises'
import { ledgerEntries } from '../clients/served.ts'
import { inProcess } from '../commands/in-process.ts'
import type { Device } from './device.ts'
import { NOT_THE_TARGET, nameOf, TARGET } from './fleet.ts'
import type { Images } from './images.ts'
import type { Random } from './random.ts'

export interface Person {
  /** One thing, whatever comes next; resolves when it is on record. */
  act(done: readonly Device[]): Promise<void>
  /** After the last device has come and gone: files are replaced and held, and all of that is on record. */
  endOfVisit(): Promise<void>
  readonly held: ReadonlySet<string>
  readonly faults: readonly string[]
  /** How often each kind of thing was done. */
  readonly did: ReadonlyMap<string, number>
}

interface ImageShown {
  readonly name: string
  readonly sha256: string
  readonly state: string
  readonly reason: string | null
}

const HELD_AT_ONCE = 1
const HOLDS = 4
const ON_RECORD_MS = 30_000
/** The image is being read, or the server is still starting: both say to try again. */
const TRY_AGAIN = /FP_IMAGE_UNREAD|FP_SERVER_UNREACHABLE/
const OTHER_DIGEST = '0'.repeat(63)

export function createPerson(deps: {
  readonly folder: string
  readonly images: Images
  readonly random: Random
  /** Absent where the clock cannot be set for one program alone. */
  readonly setClock: ((seconds: number) => void) | undefined
}): Person {
  const { folder, images, random, setClock } = deps
  const held = new Set<string>()
  /** Its hold has ended; its published checksum belongs to the version of then, so that the file stays as it is. */
  const freed = new Set<string>()
  const faults: string[] = []
  const did = new Map<string, number>()
  const byHand = new Set<string>()
  const seen = new Set<number>()

  function publish(name: string, digest: string): void {
    writeFileSync(join(folder, `${name}.sha256`), `${digest}  ${name}\n`)
  }

  const unheld = (): string[] =>
    images.list.flatMap(({ name, restless }) => (restless || held.has(name) || freed.has(name) ? [] : [name]))
  const any = (names: readonly string[]): string | undefined => names[random.whole(0, names.length - 1)]

  async function run(args: readonly string[], status = 0): Promise<void> {
    const limit = Date.now() + ON_RECORD_MS
    let outcome = await inProcess([...args, '--folder', folder])
    while (TRY_AGAIN.test(outcome.stderr) && Date.now() < limit) {
      await pause(200)
      outcome = await inProcess([...args, '--folder', folder])
    }
    if (outcome.status !== status)
      faults.push(`${args.join(' ')} ended with ${outcome.status}: ${outcome.stdout}${outcome.stderr}`)
  }

  /** Until the server shows these files in the version that lies there, held or not as they should be. */
  async function untilShown(names: readonly string[]): Promise<void> {
    const limit = Date.now() + ON_RECORD_MS
    let missing: string[] = []
    do {
      const { stdout } = await inProcess(['images', folder, '--format', 'json'])
      const shown = JSON.parse(stdout || '{"images":[]}') as { images: ImageShown[] }
      missing = names.flatMap((name) => {
        const image = shown.images.find((each) => each.name === name)
        const state = held.has(name) ? 'held' : 'ready'
        if (image?.sha256 === images.present(name).sha256 && image.state === state) return []
        return [`${name}: ${image?.state}, ${image?.reason ?? image?.sha256}; to be ${state}`]
      })
      if (missing.length === 0) return
      await pause(200)
    } while (Date.now() < limit)
    faults.push(`never shown as it lies there: ${missing.join(', ')}`)
  }

  function hold(name: string | undefined): void {
    if (name === undefined) return
    held.add(name)
    images.keep(name)
    publish(name, `${OTHER_DIGEST}${held.size}`)
  }

  const acts: Record<string, (done: readonly Device[]) => Promise<void> | void> = {
    hold() {
      if (held.size < HELD_AT_ONCE && freed.size < HOLDS) hold(any(unheld()))
    },
    async 'hold by hand'() {
      if (held.size >= HELD_AT_ONCE || freed.size >= HOLDS) return
      const name = any(unheld())
      if (name === undefined) return
      images.keep(name)
      await untilShown([name])
      await run(['hold', name, '--reason', 'the maker withdrew it'])
      held.add(name)
      byHand.add(name)
    },
    async lift() {
      const [name] = held
      if (name === undefined) return
      await untilShown([name])
      await run(['lift', name, '--reason', 'the maker says so'])
      held.delete(name)
      freed.add(name)
    },
    'right checksum'() {
      const [name] = held
      if (name === undefined || byHand.has(name)) return
      publish(name, images.present(name).sha256)
      held.delete(name)
      freed.add(name)
    },
    async match(done) {
      const device = done.findLast((each) => !seen.has(each.number) && each.lastWhole() !== undefined)
      if (device === undefined) return
      seen.add(device.number)
      const sha256 = device.lastWhole() ?? ''
      await inProcess(['match', `sha256 ${sha256}`, '--device', nameOf(device), '--folder', folder])
    },
    async observe(done) {
      const device = done.findLast((each) => !seen.has(each.number) && each.lastWhole() !== undefined)
      if (device === undefined) return
      seen.add(device.number)
      const runs = device.lastWhole() === images.present(device.planned).sha256
      await run(['observe', nameOf(device), '--after', runs ? TARGET : NOT_THE_TARGET])
    },
    async 'strike of a mistake'(done) {
      const device = done.at(-1)
      if (device === undefined) return
      await run(['observe', nameOf(device), '--after', NOT_THE_TARGET])
      const observed = ledgerEntries(folder).findLast(({ kind }) => kind === 'observed')
      await run(['strike', String(observed?.seq), '--reason', 'read off another device'])
    },
    clock() {
      setClock?.(random.pick([-3600, 3600, 0, -600, 86_400]))
    },
  }

  return {
    held,
    faults,
    did,
    async act(done) {
      const kinds = Object.keys(acts)
      const kind = kinds[random.whole(0, kinds.length - 1)] ?? ''
      did.set(kind, (did.get(kind) ?? 0) + 1)
      await acts[kind]?.(done)
    },
    async endOfVisit() {
      const [first, second, third] = unheld()
      hold(first)
      if (second !== undefined) images.replace(second, random)
      hold(third)
      await untilShown(images.list.map(({ name }) => name))
    },
  }
}
