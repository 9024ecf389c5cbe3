/** The part of seek-bzip's interface that is used here; the package carries no types. */
declare module 'seek-bzip' {
  interface ByteInput {
    readByte(): number
    read(buffer: Uint8Array, offset: number, length: number): number
  }
  interface ByteOutput {
    writeByte(byte: number): void
  }
  const Bunzip: { decode(input: ByteInput, output: ByteOutput, multistream: boolean): void }
  export default Bunzip
}
