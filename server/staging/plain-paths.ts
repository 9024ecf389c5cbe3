/**
 * Which image has which plain path. Files that want the same one all get digits of their digest; a path that
 * was offered once stays with its file, so that a line pasted on a console keeps its meaning.
 */
import { digitsTail, fits, pathWithTail, wantedPath } from './naming.ts'

export interface PlacedPath {
  readonly name: string
  readonly path: string
  /** For people: why the path is not the plain one. */
  readonly note?: string
}

export type PlainPaths = ReturnType<typeof createPlainPaths>

interface Member {
  readonly name: string
  readonly wanted: string
  sha256: string | undefined
  placed: PlacedPath | undefined
}

/** `offered`: the name of the file to which the ledger has given this path. */
export function createPlainPaths(offered: (path: string) => string | undefined) {
  // Long: one sharing out of paths, which each function changes.
  const members = new Map<string, Member>()
  const groups = new Map<string, Map<string, Member>>()
  const claims = new Map<string, string>()
  const kept = new Map<string, string>()

  const ownerOf = (path: string) => kept.get(path) ?? offered(path)

  function release(member: Member): void {
    const path = member.placed?.path
    if (path !== undefined && claims.get(path) === member.name) claims.delete(path)
  }

  /** Unclaimed, and not another file's for good. */
  function free(path: string, name: string): boolean {
    const owner = ownerOf(path)
    return !claims.has(path) && (owner === undefined || owner === name)
  }

  function choose(member: Member, shared: boolean): PlacedPath {
    const { name, wanted, sha256 } = member
    if (sha256 === undefined) return { name, path: fits(wanted) ? wanted : pathWithTail(wanted, '') }
    const first = pathWithTail(wanted, digitsTail(sha256, 1))
    if (fits(wanted) && free(wanted, name)) {
      if (ownerOf(wanted) === name) return { name, path: wanted }
      if (!shared && ownerOf(first) !== name) return { name, path: wanted }
    }
    let path = first
    for (let copy = 2; !free(path, name); copy += 1) path = pathWithTail(wanted, digitsTail(sha256, copy))
    const note = noteFor(member, shared)
    return note === undefined ? { name, path } : { name, path, note }
  }

  function noteFor({ name, wanted }: Member, shared: boolean): string | undefined {
    if (!fits(wanted)) return undefined
    const owner = ownerOf(wanted) ?? claims.get(wanted)
    if (owner !== undefined && owner !== name) {
      return `Its plain path ${wanted} was already given to ${owner}, so its own carries digits of its digest.`
    }
    return shared
      ? `Several files would share the plain path ${wanted}, so each carries digits of its digest.`
      : undefined
  }

  function arrange(group: Map<string, Member>): PlacedPath[] {
    // Those whose path was offered are placed already and do not move.
    const moving = [...group.values()].filter((member) => !keepsPath(member))
    moving.sort((a, b) => (a.name < b.name ? -1 : 1))
    const before = moving.map(({ placed }) => placed)
    for (const member of moving) release(member)
    const now = moving.map((member) => {
      member.placed = Object.freeze(choose(member, group.size > 1))
      if (member.sha256 !== undefined) claims.set(member.placed.path, member.name)
      return member.placed
    })
    return now.filter(({ path, note }, at) => path !== before[at]?.path || note !== before[at].note)
  }

  function keepsPath({ name, sha256, placed }: Member): boolean {
    if (sha256 === undefined || placed === undefined) return false
    return claims.get(placed.path) === name && kept.get(placed.path) === name
  }

  return {
    /**
     * A file is there, its digest known or not yet. Answers every file whose path is another one now. Without a
     * digest the path is provisional and may be shared; with one it is unique.
     */
    place(name: string, sha256?: string): readonly PlacedPath[] {
      let member = members.get(name)
      if (member === undefined) {
        member = { name, wanted: wantedPath(name), sha256: undefined, placed: undefined }
        members.set(name, member)
        const group = groups.get(member.wanted) ?? new Map<string, Member>()
        groups.set(member.wanted, group.set(name, member))
      } else if (member.sha256 === sha256) return []
      release(member)
      member.sha256 = sha256
      return arrange(groups.get(member.wanted) ?? new Map())
    },
    remove(name: string): readonly PlacedPath[] {
      const member = members.get(name)
      if (member === undefined) return []
      release(member)
      members.delete(name)
      const group = groups.get(member.wanted) ?? new Map<string, Member>()
      group.delete(name)
      if (group.size === 0) groups.delete(member.wanted)
      return arrange(group)
    },
    /** The file's present path has been offered: it keeps it. */
    keep(name: string): void {
      const path = members.get(name)?.placed?.path
      if (path !== undefined && claims.get(path) === name && ownerOf(path) === undefined) kept.set(path, name)
    },
    get: (name: string): PlacedPath | undefined => members.get(name)?.placed,
  }
}
