/** The lines to paste for one image: one an address, the rest in a fold. */
import type { JSX } from 'preact'
import { filledLine } from '../../report/paste-line.ts'
import { visible } from '../../wording/visible.ts'
import type { AddressView, BaseView, PasteLine, ShownImage } from '../snapshot-shape.ts'
import { CopyLine } from './parts.tsx'

/** `null`: the plain URL. */
export type LineForm = PasteLine | null

interface LinesProps {
  readonly image: ShownImage
  readonly addresses: readonly AddressView[]
  readonly form: LineForm
}

export function Lines({ image, addresses, form }: LinesProps): JSX.Element | null {
  const offered = addresses.filter((own) => own.offerable && own.urls.length > 0)
  if (offered.length === 0) return null
  return (
    <div class="lines">
      <ul>
        {offered.map((own) => (
          <li key={own.address}>
            <span class="from">
              {own.interface}
              {own.tunnel ? ' (tunnel)' : ''}
            </span>
            <Line image={image} own={own} base={own.urls[0]} form={form} path={image.plainPath} />
          </li>
        ))}
      </ul>
      {image.digestPath !== null && (
        <details>
          <summary>shorter and other forms</summary>
          <ul>
            {offered
              .flatMap((own) =>
                own.urls.flatMap((base, at) => [
                  ...(at === 0 ? [] : [{ own, base, path: image.plainPath, what: 'without a port' }]),
                  { own, base, path: image.digestPath ?? '', what: 'named by its digest' },
                ]),
              )
              .map(({ own, base, path, what }) => (
                <li key={`${base.url}${path}`}>
                  <span class="from">
                    {own.interface}, {what}
                  </span>
                  <Line image={image} own={own} base={base} form={form} path={path} />
                </li>
              ))}
          </ul>
        </details>
      )}
    </div>
  )
}

interface LineProps {
  readonly image: ShownImage
  readonly own: AddressView
  readonly base: BaseView | undefined
  readonly form: LineForm
  readonly path: string
}

function Line({ image, own, base, form, path }: LineProps): JSX.Element | null {
  if (base === undefined) return null
  const { bytes, sha256, md5 } = image
  const facts = { baseUrl: base.url, host: own.address, port: base.port, plainPath: path, bytes, sha256, md5 }
  const line = form === null ? base.url + path : filledLine(form.text, facts)
  if (line === undefined) return <span class="soft">a digest in this line is not known yet</span>
  return <CopyLine line={line} label={`the line for ${visible(image.name)} by ${own.address}`} />
}
