/** `/PATH.sha256` and `/SHA256SUMS`: lines that `sha256sum -c` reads. Plain paths need no escaping in them. */
import type { ReadyImage } from '../staging/image.ts'

export function checksumFile(image: ReadyImage): string {
  const name = image.plainPath.slice(image.plainPath.lastIndexOf('/') + 1)
  return `${image.version.sha256}  ${name}\n`
}

export function checksumList(images: readonly ReadyImage[]): string {
  return images.map((image) => `${image.version.sha256}  ${image.plainPath.slice(1)}\n`).join('')
}
