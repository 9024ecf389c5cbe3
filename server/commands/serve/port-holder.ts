/** Which program holds a port, where the system tells: for the sentence that says what to stop. */
import { execFile } from 'node:child_process'
import { readdir, readFile, readlink } from 'node:fs/promises'
import { platform } from 'node:os'
import { promisify } from 'node:util'

const run = promisify(execFile)

type Transport = 'tcp' | 'udp'
type Holder = { readonly pid: string; readonly name?: string | undefined } | undefined

/** `name (process 1234)`, or undefined where it cannot be known. Never throws. */
export async function portHolder(port: number, transport: Transport): Promise<string | undefined> {
  const system = platform()
  const find = system === 'linux' ? linuxHolder : system === 'win32' ? windowsHolder : lsofHolder
  const holder = await find(port, transport).catch(() => undefined)
  return holder === undefined ? undefined : `${holder.name ?? 'a program'} (process ${holder.pid})`
}

/** proc(5): column 4 is the state (0A is LISTEN, 07 a UDP socket that is not connected), column 10 the socket's inode. */
async function linuxHolder(port: number, transport: Transport): Promise<Holder> {
  const state = transport === 'tcp' ? '0A' : '07'
  const suffix = `:${port.toString(16).toUpperCase().padStart(4, '0')}`
  const texts = await Promise.all(
    [`/proc/net/${transport}`, `/proc/net/${transport}6`].map((file) =>
      readFile(file, 'latin1').catch(() => ''),
    ),
  )
  const inodes = texts
    .flatMap((text) => text.split('\n').slice(1))
    .map((line) => line.trim().split(/\s+/))
    .filter((fields) => fields[3] === state && fields[1]?.endsWith(suffix))
    .map((fields) => `socket:[${fields[9]}]`)
  if (inodes.length === 0) return undefined
  for (const pid of (await readdir('/proc')).filter((name) => /^\d+$/.test(name))) {
    const descriptors = await readdir(`/proc/${pid}/fd`).catch(() => [])
    for (const descriptor of descriptors) {
      const link = await readlink(`/proc/${pid}/fd/${descriptor}`).catch(() => '')
      if (!inodes.includes(link)) continue
      const name = await readFile(`/proc/${pid}/comm`, 'utf8').catch(() => undefined)
      return { pid, name: name?.trim() }
    }
  }
  return undefined
}

async function lsofHolder(port: number, transport: Transport): Promise<Holder> {
  const listening = transport === 'tcp' ? ['-sTCP:LISTEN'] : []
  const which = ['-nP', `-i${transport.toUpperCase()}:${port}`, ...listening, '-Fpc']
  const { stdout } = await run('lsof', which, { timeout: 3_000 })
  const pid = /^p(\d+)$/m.exec(stdout)?.[1]
  return pid === undefined ? undefined : { pid, name: /^c(.+)$/m.exec(stdout)?.[1] }
}

async function windowsHolder(port: number, transport: Transport): Promise<Holder> {
  const { stdout } = await run('netstat', ['-ano', '-p', transport.toUpperCase()], { timeout: 3_000 })
  const line = stdout.split(/\r?\n/).find((each) => new RegExp(`:${port}\\s+\\S+:[0*]\\s`).test(each))
  const pid = line?.trim().split(/\s+/).at(-1)
  if (pid === undefined) return undefined
  const list = await run('tasklist', ['/FI', `PID eq ${pid}`, '/FO', 'CSV', '/NH'], { timeout: 3_000 })
  return { pid, name: /^"([^"]+)"/.exec(list.stdout.trim())?.[1] }
}
