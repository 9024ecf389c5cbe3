/** What an extension promises: text, an image for a device, or nothing in particular. */

/** The extension in lower case, without the dot; empty when there is none. */
export function bareExtensionOf(name: string): string {
  const base = name.slice(name.lastIndexOf('/') + 1)
  const dot = base.lastIndexOf('.')
  return dot <= 0 ? '' : base.slice(dot + 1).toLowerCase()
}

/** Extensions of files that are text by intent (common practice). */
const TEXT = new Set(
  'asc bat bsh cer cfg cnf conf config crt csr csv dts dtsi env gpg htm html ini ios js json key lic license log lst lua md pem pl pub py rb rsc scr script sh sig sls sql svf svg tcl text tftp toml tsv txt xml xslt yaml yml'.split(
    ' ',
  ),
)

/** Extensions under which devices' images come (common practice). */
const FIRMWARE = new Set(
  'app bin boot chk dat efi elf exe fit flash fs fw fwb fwi gz hex ihex image img initrd ipk iso itb jffs2 kernel mot ova pkg qcow2 rom s19 s28 s37 sfs sqsh squashfs srec swu sys tar tgz tbz tbz2 trx txz ubi ubifs uboot uimage upd update upg vmdk xz bz2 zip zst dtb deb rpm msi run'.split(
    ' ',
  ),
)

export function isTextExtension(extension: string): boolean {
  return TEXT.has(extension)
}

/** Numbers count too: a version at the end of a name looks like an extension. */
export function isFirmwareExtension(extension: string): boolean {
  return FIRMWARE.has(extension) || /^\d+$/.test(extension)
}
