/**
 * HTML as a value: whatever is put into a template is escaped unless it is HTML already, so that no text from
 * outside can become markup. Control and invisible characters are made visible first.
 */
import { visible } from '../wording/visible.ts'

export interface Html {
  readonly html: string
}

type Inserted = Html | string | number | null | undefined | readonly (Html | string)[]

/** Template of text or quoted attributes; null and undefined leave nothing. */
export function html(parts: TemplateStringsArray, ...inserted: readonly Inserted[]): Html {
  let text = parts[0] ?? ''
  inserted.forEach((value, index) => {
    text += textOf(value) + (parts[index + 1] ?? '')
  })
  return { html: text }
}

/** Trusted text of the program's own, such as its style sheet. */
export function trusted(text: string): Html {
  return { html: text }
}

function escaped(text: string): string {
  return visible(text).replace(/[&<>"'`]/g, (character) => `&#${character.codePointAt(0)};`)
}

function textOf(value: Inserted): string {
  if (value === null || value === undefined) return ''
  if (typeof value === 'string' || typeof value === 'number') return escaped(String(value))
  if ('html' in value) return value.html
  return value.map(textOf).join('')
}
