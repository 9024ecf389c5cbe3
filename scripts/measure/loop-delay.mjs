// Loaded into a measured server: says when asked how late its event loop came round.
import { monitorEventLoopDelay } from 'node:perf_hooks'
import { isMainThread } from 'node:worker_threads'

if (isMainThread && process.channel !== undefined) {
  const delay = monitorEventLoopDelay({ resolution: 1 })
  delay.enable()
  process.on('message', () => {
    process.send({ p99: delay.percentile(99) / 1e6 })
    delay.reset()
  })
  process.channel.unref()
}
