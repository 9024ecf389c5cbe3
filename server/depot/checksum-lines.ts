/** `/PATH.sha256` and `/SHA256SUMS`: lines that `sha256sum -c` reads. */
import type { ReadyImage } from '../staging/image.ts'
import { formatLine } from '../trust/published/format-line.ts'

export function checksumFile(image: ReadyImage): string {
  const name = image.plainPath.slice(image.plainPath.lastIndexOf('/') + 1)
  return formatLine(image.version.sha256, name)
}

export function checksumList(images: readonly ReadyImage[]): string {
  return images.map((image) => formatLine(image.version.sha256, image.plainPath.slice(1))).join('')
}
