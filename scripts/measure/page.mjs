// What the bench page costs: the server, with 500 images and 1,000 pulls, one page open, one pull moving all the time;
// and a browser, with 300 devices on the sheet, as many images, and three pulls moving.
import { existsSync, mkdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { get } from 'node:http'
import { connect } from 'node:net'
import { join } from 'node:path'
import { setTimeout as wait } from 'node:timers/promises'
import { chromium } from 'playwright-core'
import { writeLedger } from './ledgers.mjs'
import { processorSeconds, serve, writeImage } from './processes.mjs'

const IMAGES = 500
const SECONDS = 10
const DEVICES = 300
const CHROMIUM = '/usr/bin/chromium'

export async function measurePage(folder) {
  return [...(await measureServer(folder)), ...(existsSync(CHROMIUM) ? await measureBrowser(folder) : [])]
}

async function measureServer(folder) {
  const staging = join(folder, 'page')
  mkdirSync(staging, { recursive: true })
  for (let at = 0; at < IMAGES; at += 1) writeFileSync(join(staging, `image-${at}.bin`), `image ${at}`)
  // A connection takes 32 MiB and more of what nobody reads.
  writeImage(join(staging, 'large.bin'), 192)
  await writeLedger(staging, 1_000)
  const server = await serve(staging, IMAGES + 1)
  try {
    await onOffer(server.port, '/large.bin')
    const slow = slowPull(server.port, '/large.bin')
    // What the start leaves to do in the background is over by then.
    await wait(5_000)
    const before = await busyShare(server.pid)
    const page = openStream(JSON.parse(readFileSync(join(staging, '.fetchproof/lock.json'), 'utf8')).pagePort)
    await wait(2_000)
    const seen = page.events()
    const withPage = await busyShare(server.pid)
    const rate = (page.events() - seen) / SECONDS
    page.close()
    await wait(1_000)
    const without = (before + (await busyShare(server.pid))) / 2
    slow.destroy()
    return [
      {
        what: `server's processor for an open page (${IMAGES} images, 1,000 pulls, ${rate.toFixed(1)} updates a second)`,
        ours: share(withPage - without),
        reference: '',
        ratio: '',
        aim: '<= 5 %',
      },
    ]
  } finally {
    await server.stop()
    rmSync(staging, { recursive: true })
  }
}

async function measureBrowser(folder) {
  const staging = join(folder, 'browser')
  mkdirSync(staging, { recursive: true })
  const names = Array.from({ length: DEVICES }, (_, at) => `image-${at}.bin`)
  for (const [at, name] of names.entries())
    writeFileSync(join(staging, name), Buffer.alloc(at < 3 ? 96 * 1024 * 1024 : 4_000, `image ${at}`))
  const addressOf = (at) => `127.0.${1 + Math.floor(at / 250)}.${(at % 250) + 1}`
  const rows = names.map((name, at) => `device-${at},${addressOf(at)},${name}`)
  writeFileSync(join(staging, 'visit.csv'), `device,address,image\n${rows.join('\n')}\n`)
  const server = await serve(staging, DEVICES)
  const browser = await chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox'] })
  try {
    for (const at of [0, 1, 2]) await onOffer(server.port, `/${names[at]}`)
    const pulls = [0, 1, 2].map((at) => slowPull(server.port, `/${names[at]}`, addressOf(at)))
    await wait(5_000)
    const { pagePort } = JSON.parse(readFileSync(join(staging, '.fetchproof/lock.json'), 'utf8'))
    const tab = await browser.newPage({ viewport: { width: 1440, height: 900 } })
    await tab.goto(`http://127.0.0.1:${pagePort}/`)
    await tab
      .locator('.device')
      .nth(DEVICES - 1)
      .waitFor({ state: 'attached' })
    const firstPaint = await tab.evaluate(
      "performance.getEntriesByName('first-contentful-paint')[0].startTime",
    )
    const shown = await tab.evaluate('performance.now()')
    const whole = await tab.evaluate(
      "[...document.querySelectorAll('.device')].filter((it) => it.getBoundingClientRect().bottom <= innerHeight).length",
    )
    await wait(2_000)
    await tab.evaluate(
      "window.shifts = 0; new PerformanceObserver((list) => { for (const { value } of list.getEntries()) window.shifts += value }).observe({ type: 'layout-shift' })",
    )
    const session = await browser.newBrowserCDPSession()
    const busy = async () => {
      const { processInfo } = await session.send('SystemInfo.getProcessInfo')
      return processInfo
        .filter(({ type }) => type === 'renderer')
        .reduce((sum, { cpuTime }) => sum + cpuTime, 0)
    }
    const before = await busy()
    const serving = await busyShare(server.pid)
    const tasks = ((await busy()) - before) / SECONDS
    const shifts = await tab.evaluate('window.shifts')
    for (const pull of pulls) pull.destroy()
    const what = `page of ${DEVICES} devices and ${DEVICES} images in Chromium`
    return [
      [
        `${what}: first paint (all rows there after ${Math.round(shown)} ms)`,
        `${Math.round(firstPaint)} ms`,
        '<= 1000 ms',
      ],
      [`${what}: rows on a screen of 1440 × 900`, whole, '>= 20'],
      [`${what}: its renderer's processor while three bars move`, share(tasks), '<= 5 %'],
      [`${what}: server's processor, serving the three at 1 MB/s each as well`, share(serving), ''],
      [`${what}: layout shift in ${SECONDS} s of it`, shifts.toFixed(5), '<= 0.0005'],
    ].map(([name, ours, aim]) => ({ what: name, ours, reference: '', ratio: '', aim }))
  } finally {
    await browser.close()
    await server.stop()
    rmSync(staging, { recursive: true })
  }
}

/** Half a percent is what one run differs from the next. */
function share(cores) {
  return cores < 0.005 ? 'less than 0.5 % of a core' : `${(cores * 100).toFixed(1)} % of a core`
}

async function busyShare(pid) {
  const before = processorSeconds(pid)
  await wait(SECONDS * 1000)
  return (processorSeconds(pid) - before) / SECONDS
}

function openStream(port) {
  let events = 0
  const request = get({ host: '127.0.0.1', port, path: '/api/stream' }, (response) => {
    response.on('data', (chunk) => {
      events +=
        chunk
          .toString()
          .split('\n')
          .filter((line) => line.startsWith('data: {')).length > 0
          ? 1
          : 0
    })
  })
  return { events: () => events, close: () => request.destroy() }
}

async function onOffer(port, path) {
  const ask = () => fetch(`http://127.0.0.1:${port}${path}`, { method: 'HEAD' })
  while ((await ask()).status !== 200) await wait(200)
}

/** Takes about 1 MB/s, a little at a time. */
function slowPull(port, path, localAddress = '127.0.0.1') {
  const socket = connect({ port, host: '127.0.0.1', localAddress })
  socket.on('connect', () => socket.write(`GET ${path} HTTP/1.0\r\n\r\n`))
  socket.on('data', () => {
    socket.pause()
    setTimeout(() => socket.resume(), 60)
  })
  socket.on('error', () => undefined)
  return socket
}
