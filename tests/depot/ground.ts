/**
 * A depot over a staging folder, in this process and without a door: the ground for tests that open a door of their own
 * (an image port and the page: `bench/running.ts`; TFTP: `tftp-port/door.ts`; one made up: `third-door.test.ts`).
 */
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { type Depot, openDepot } from '../../server/depot/depot.ts'
import { createSettings, type SettingsInput } from '../../server/settings.ts'
import { type Heard, hearEntries } from '../clients/heard-entries.ts'
import { stagingFolder, type Until } from '../clients/served.ts'

export interface GroundOptions {
  readonly cleanUp: Until
  /** Of the caller's making; else one that is removed at the end. */
  readonly folder?: string | undefined
  /** What that one has; on record when the ground is open. */
  readonly files?: Readonly<Record<string, Buffer>>
  readonly settings?: Partial<SettingsInput> | undefined
}

export interface Ground extends Heard {
  readonly depot: Depot
  readonly folder: string
  /** Puts a file into the staging folder and waits until it is judged. */
  stage(name: string, bytes: Uint8Array | string): Promise<void>
  /** What closes a door, once the depot has ended what is under way. */
  closesDoor(close: () => Promise<unknown>): void
  /** What is under way ends as withdrawn; all entries are there then. Idempotent. */
  close(): Promise<void>
}

/** Longer than a client by TFTP is waited for (50 s). */
const DEADLINE_MS = 70_000

export async function openGround(options: GroundOptions): Promise<Ground> {
  const { files = {}, cleanUp } = options
  const folder = options.folder ?? (await stagingFolder(files, cleanUp))
  const { waits, hear } = hearEntries(DEADLINE_MS)
  const depot = await openDepot({
    settings: createSettings({
      folder,
      settleMs: 20,
      settleUnsureMs: 60,
      rescanMs: 200,
      ...options.settings,
    }),
    version: '0.0.0-test',
    onEntries: hear,
  })
  const doors: (() => Promise<unknown>)[] = []
  let closing: Promise<void> | undefined
  async function shut(): Promise<void> {
    await depot.close('the test has ended')
    for (const close of doors) await close()
  }
  const ground: Ground = {
    ...waits,
    depot,
    folder,
    async stage(name, bytes) {
      await writeFile(join(folder, name), bytes)
      await depot.catalogue.rescan()
      await depot.catalogue.idle()
    },
    closesDoor: (close) => void doors.push(close),
    close() {
      closing ??= shut()
      return closing
    },
  }
  cleanUp(ground.close)
  await Promise.all(Object.keys(files).map((name) => ground.image(name)))
  return ground
}
