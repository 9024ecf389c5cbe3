/**
 * A program that runs in a mount name space of its own (Linux: mount_namespaces(7)), with small disks (tmpfs) in
 * folders that the test names: they can be filled, taken away and given back without anybody else noticing.
 */
import { closeSync, openSync, writeSync } from 'node:fs'
import { join } from 'node:path'
import { systemCode } from '../../server/errors.ts'
import { run } from '../clients/program.ts'
import type { ServedProgram } from '../clients/served.ts'

/** For `under`: mounts a disk of so many MiB in each folder, then becomes the program. */
export function withDisks(disks: Readonly<Record<string, number>>): string[] {
  const mounts = Object.entries(disks).map(([folder, mib]) => mountLine(folder, mib))
  return ['unshare', '--map-root-user', '--mount', 'sh', '-c', `${mounts.join(' && ')} && exec "$@"`, 'sh']
}

/** The path as the test can reach what the program sees there. */
export function seenBy({ process: child }: ServedProgram, path: string): string {
  return join(`/proc/${child.pid}/root`, path)
}

/** ramfs (Linux: tmpfs(5)) is a file system of its own kind, and takes no notice of the size. */
export async function mountAgain(
  served: ServedProgram,
  folder: string,
  mib: number,
  type: 'tmpfs' | 'ramfs' = 'tmpfs',
): Promise<void> {
  await inside(served, mountLine(folder, mib, type))
}

/** As a stick that is pulled: the name is gone at once, what is open stays readable (umount(8), lazily). */
export async function takeAway(served: ServedProgram, folder: string): Promise<void> {
  await inside(served, `umount -l '${folder}'`)
}

/** Writes until no byte more fits. Returns the path of what was written, as seen from the test. */
export function fillUp(served: ServedProgram, folder: string): string {
  const filler = seenBy(served, join(folder, '.filler'))
  const descriptor = openSync(filler, 'a')
  try {
    for (const size of [65_536, 4_096, 1]) {
      try {
        for (;;) writeSync(descriptor, Buffer.alloc(size, 1))
      } catch (error) {
        if (systemCode(error) !== 'ENOSPC') throw error
      }
    }
  } finally {
    closeSync(descriptor)
  }
  return filler
}

function mountLine(folder: string, mib: number, type = 'tmpfs'): string {
  return `mount -t ${type} -o size=${mib}m none '${folder}'`
}

async function inside({ process: child }: ServedProgram, line: string): Promise<void> {
  const space = ['--target', String(child.pid), '--user', '--mount', '--preserve-credentials']
  const { status, stderr } = await run('nsenter', [...space, 'sh', '-c', line])
  if (status !== 0) throw new Error(`${line}: ${stderr}`)
}
