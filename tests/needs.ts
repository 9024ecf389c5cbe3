/**
 * What tests need beyond Node.js, and how a machine gets it. A test that lacks something is skipped, never passed and
 * never failed; `skipped-reporter.ts` says so in one line. `.ci/run` installs everything and lets nothing be skipped.
 */
import { spawnSync } from 'node:child_process'
import { existsSync, readdirSync } from 'node:fs'
import { delimiter, join } from 'node:path'
import { fileURLToPath } from 'node:url'
import { beforeEach } from 'vitest'
import { packedRuntime } from '../scripts/portable/runtime.mjs'
import { TARGETS } from '../scripts/portable/targets.mjs'

interface Need {
  /** Debian's package. */
  readonly package?: string
  /** What to do where no package helps. */
  readonly hint?: string
  readonly here: (name: string) => boolean
}

const ON_LINUX = process.platform === 'linux'

/** Whether a program stands on PATH. */
export function onPath(program: string): boolean {
  const folders = (process.env.PATH ?? '').split(delimiter)
  return folders.some((folder) => existsSync(join(folder, program)))
}

const programOf = (debian: string): Need => ({ package: debian, here: onPath })
const fileOf = (debian: string, file: string): Need => ({ package: debian, here: () => existsSync(file) })
const listOf = (debian: string): Need => fileOf(debian, `/var/lib/dpkg/info/${debian}.md5sums`)

/** Debian's name of the browser, or another one of its kind. */
export const CHROMIUM = process.env.CHROMIUM ?? '/usr/bin/chromium'

/** Where Debian puts it: a folder for each architecture. */
export function faketimeLibrary(): string | undefined {
  if (!ON_LINUX || !existsSync('/usr/lib')) return undefined
  return readdirSync('/usr/lib')
    .map((folder) => join('/usr/lib', folder, 'faketime', 'libfaketimeMT.so.1'))
    .find((file) => existsSync(file))
}

function mountsInItsOwnSpace(): boolean {
  const tried = spawnSync('unshare', ['--map-root-user', '--mount', 'mount', '-t', 'tmpfs', 'none', '/mnt'])
  return ON_LINUX && tried.status === 0 && onPath('nsenter')
}

/** Named ones, as ip-netns(8) keeps them; a tap device, which emulated machines use, is another right. */
function makesNetworkNamespaces(): boolean {
  const name = `fp-may-${process.pid}`
  if (!ON_LINUX || spawnSync('ip', ['netns', 'add', name]).status !== 0) return false
  return spawnSync('ip', ['netns', 'delete', name]).status === 0
}

function makesTapDevices(): boolean {
  const tap = ['ip', 'tuntap', 'add', 'dev', 'tap0', 'mode', 'tap']
  return ON_LINUX && spawnSync('unshare', ['--net', ...tap]).status === 0
}

const PROGRAM = fileURLToPath(new URL('../dist/server/main.js', import.meta.url))
/** "nobody" on Linux (common practice). */
export const ANOTHER_USER = 65534

/** Root reads everything, so what a user may not do has to be tried as another one, who can read the program. */
function runsAsAnotherUser(): boolean {
  const asOther = { uid: ANOTHER_USER, gid: ANOTHER_USER, cwd: '/' }
  return process.getuid?.() === 0 && spawnSync(process.execPath, [PROGRAM, '--version'], asOther).status === 0
}

/** From npm's cache or its registry. */
const runtimeOf = (target: keyof typeof TARGETS): Need => ({
  hint: 'let npm reach its registry',
  here: () => packedRuntime(TARGETS[target]) !== undefined,
})

const NEEDS = {
  aria2c: programOf('aria2'),
  atftp: programOf('atftp'),
  busybox: programOf('busybox'),
  bzip2: programOf('bzip2'),
  chromium: fileOf('chromium', CHROMIUM),
  curl: programOf('curl'),
  dpkg: programOf('dpkg'),
  dtc: programOf('device-tree-compiler'),
  faketime: { package: 'faketime', here: () => faketimeLibrary() !== undefined },
  fallocate: programOf('util-linux'),
  'firmware-linux-free': listOf('firmware-linux-free'),
  gzip: programOf('gzip'),
  ip: programOf('iproute2'),
  ipxe: fileOf('ipxe', '/usr/lib/ipxe/ipxe.lkrn'),
  'ipxe-qemu': listOf('ipxe-qemu'),
  ldd: programOf('libc-bin'),
  mkimage: programOf('u-boot-tools'),
  mksquashfs: programOf('squashfs-tools'),
  objcopy: programOf('binutils'),
  openssl: programOf('openssl'),
  pdftotext: programOf('poppler-utils'),
  ping: programOf('iputils-ping'),
  prlimit: programOf('util-linux'),
  ps: programOf('procps'),
  'qemu-system-arm': programOf('qemu-system-arm'),
  'qemu-system-x86_64': programOf('qemu-system-x86'),
  rsync: programOf('rsync'),
  script: programOf('bsdutils'),
  seabios: listOf('seabios'),
  sha256sum: programOf('coreutils'),
  tar: programOf('tar'),
  tftp: programOf('tftp-hpa'),
  'u-boot-qemu': listOf('u-boot-qemu'),
  unzip: programOf('unzip'),
  wget: programOf('wget'),
  wine: programOf('wine wine64'),
  xz: programOf('xz-utils'),
  zip: programOf('zip'),
  zstd: programOf('zstd'),
  'another user': { hint: 'run as root where every user may read this folder', here: runsAsAnotherUser },
  'mount namespaces': { hint: 'run as root, outside a container', here: mountsInItsOwnSpace },
  'the runtime for Linux': runtimeOf('linux-x64'),
  'the runtime for Windows': runtimeOf('win-x64'),
  'tap devices': { hint: 'run as root, with iproute2', here: makesTapDevices },
  'network namespaces': { hint: 'run as root, with iproute2', here: makesNetworkNamespaces },
  Linux: { hint: 'run on Linux', here: () => ON_LINUX },
  POSIX: { hint: 'run on Linux or macOS', here: () => process.platform !== 'win32' },
} satisfies Record<string, Need>

export type Needed = keyof typeof NEEDS

const found = new Map<Needed, boolean>()

function isHere(name: Needed): boolean {
  const known = found.get(name) ?? NEEDS[name].here(name)
  found.set(name, known)
  return known
}

declare module '@vitest/runner' {
  interface TaskMeta {
    lacks?: readonly Needed[]
  }
}

/** Options of a test or of a group of tests: skipped where one of these is not there. */
export function needs(...names: readonly Needed[]): { skip: boolean; meta: { lacks: readonly Needed[] } } {
  const lacks = names.filter((name) => !isHere(name))
  return { skip: lacks.length > 0, meta: { lacks } }
}

/**
 * The same for every test of a file or group whose hooks make what these programs are for: to be called before the
 * hooks, which must make nothing when it returns false.
 */
export function allNeed(...names: readonly Needed[]): boolean {
  const { skip, meta } = needs(...names)
  if (skip) {
    beforeEach((context) => {
      Object.assign(context.task.meta, meta)
      context.skip()
    })
  }
  return !skip
}

export function howToGet(name: Needed): { package?: string; hint?: string } {
  return NEEDS[name]
}
