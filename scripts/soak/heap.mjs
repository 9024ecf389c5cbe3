// The JavaScript heap of a Node.js process in use after a collection, asked through its inspector (Chrome DevTools
// Protocol: HeapProfiler.collectGarbage, Runtime.getHeapUsage).
import { WebSocket } from 'undici'

/** `inspector`: the ws:// address that the process printed. */
export async function heapOf(inspector) {
  const socket = new WebSocket(inspector)
  const waiting = new Map()
  let last = 0
  socket.addEventListener('message', ({ data }) => {
    const { id, result } = JSON.parse(data)
    waiting.get(id)?.(result)
    waiting.delete(id)
  })
  await new Promise((open, failed) => {
    socket.addEventListener('open', open, { once: true })
    socket.addEventListener('error', () => failed(new Error(`no inspector at ${inspector}`)), { once: true })
  })
  const call = (method, params = {}) =>
    new Promise((answered) => {
      last += 1
      waiting.set(last, answered)
      socket.send(JSON.stringify({ id: last, method, params }))
    })
  return {
    async usedMebibytes() {
      await call('HeapProfiler.collectGarbage')
      const { usedSize } = await call('Runtime.getHeapUsage')
      return usedSize / 2 ** 20
    },
    /** Bytes of images and answers in hand, which lie outside the heap. */
    async bufferMebibytes() {
      const { result } = await call('Runtime.evaluate', { expression: 'process.memoryUsage().arrayBuffers' })
      return result.value / 2 ** 20
    },
    close: () => socket.close(),
  }
}
