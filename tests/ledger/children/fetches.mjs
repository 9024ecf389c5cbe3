// A fetch of nine bytes, begun and cut, in a child's ledger.
const ASKED = {
  client: { address: '192.0.2.17' },
  localAddress: '192.0.2.1',
  method: 'GET',
  target: '/a.bin',
  httpVersion: '1.0',
  image: { name: 'a.bin', plainPath: 'a.bin', bytes: 9, sha256: '0'.repeat(64) },
}

export const begin = (ledger) =>
  ledger.append({
    kind: 'fetch-begun',
    id: ledger.nextFetchId(),
    ...ASKED,
    status: 200,
    first: 0,
    promised: 9,
  })

export const cut = (ledger, { id }) =>
  ledger.append({ kind: 'fetch-ended', id, ending: 'cut', bytesHandedOver: 1, durationMs: 1 })
