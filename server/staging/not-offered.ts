/** What lies in the folder, is offered to nobody, and may make a person wonder why: said once, in one place. */
import { wordsForFolder } from './offered-names.ts'

export interface NotOffered {
  readonly name: string
  /** What it is or why, as in `visit.xlsx (a spreadsheet)`. */
  readonly why: string
}

export function createNotOffered(onChanged: () => void) {
  const files = new Map<string, string>()
  let folders: readonly NotOffered[] = []
  let sorted: readonly NotOffered[] | undefined

  function changed(): void {
    sorted = undefined
    onChanged()
  }

  return {
    /** Undefined words: nothing is to be said of it. */
    set(name: string, why: string | undefined): void {
      if (files.get(name) === why) return
      if (why === undefined) files.delete(name)
      else files.set(name, why)
      changed()
    },
    folders(names: readonly string[]): void {
      const now = names.flatMap((name) => {
        const why = wordsForFolder(name)
        return why === undefined ? [] : [{ name, why }]
      })
      if (JSON.stringify(now) === JSON.stringify(folders)) return
      folders = now
      changed()
    },
    all(): readonly NotOffered[] {
      sorted ??= Object.freeze(
        [...[...files].map(([name, why]) => ({ name, why })), ...folders].sort((a, b) =>
          a.name < b.name ? -1 : 1,
        ),
      )
      return sorted
    },
  }
}
