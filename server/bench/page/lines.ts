/** Lines to paste: which address, which form, which path. Pure. */
import { filledLine } from '../../report/paste-line.ts'
import type { AddressView, BaseView, ShownImage } from '../snapshot-shape.ts'

/** What is chosen once for the whole page. */
export interface LineChoice {
  /** The line, with `{url}` and the like in it. */
  readonly form: string
  /** Where devices reach this laptop, unless their subnet says otherwise. */
  readonly address: AddressView | undefined
  readonly addresses: readonly AddressView[]
}

/** Those that may stand in a line. */
export function offeredOf(addresses: readonly AddressView[]): AddressView[] {
  return addresses.filter((own) => own.offerable && own.urls.length > 0)
}

/** undefined where there is none, or a digest in it is not known yet. */
export function lineFor(
  image: ShownImage,
  own: AddressView | undefined,
  form: string,
  { path = image.plainPath, base = own?.urls[0] }: { path?: string; base?: BaseView | undefined } = {},
): string | undefined {
  if (own === undefined || base === undefined || image.state !== 'ready') return undefined
  const { url, port } = base
  return filledLine(form, { ...image, plainPath: path, baseUrl: url, host: own.address, port })
}

/** By one address and path: in the chosen form by the first door, as another door itself has it by that one. */
export function linesBy(
  image: ShownImage,
  own: AddressView,
  form: string,
  { path, base }: { path: string; base: BaseView },
): string[] {
  const forms = isFirstDoor(own, base) ? [form] : base.lines
  return forms.flatMap((each) => lineFor(image, own, each, { path, base }) ?? [])
}

export function isFirstDoor({ urls }: AddressView, { door }: BaseView): boolean {
  return door === urls[0]?.door
}

/** A device's line: by the address in its own subnet. */
export function deviceLine(
  image: ShownImage | undefined,
  own: string | null,
  { form, address, addresses }: LineChoice,
): string | undefined {
  if (image === undefined) return undefined
  return lineFor(image, addresses.find((each) => each.address === own) ?? address, form)
}
