/** One look at the depot: what page and terminal show is made from it. What has not changed stays the same object. */
import type { LivePull } from '../delivery/live-pulls.ts'
import type { PullRecord } from '../delivery/records.ts'
import type { Depot } from '../depot/depot.ts'
import type { Base } from '../network/bases.ts'
import { imageView } from '../report/image-view.ts'
import type { Image } from '../staging/image.ts'
import { longStalls } from './device-advice.ts'
import type { AddressView, ShownImage } from './snapshot-shape.ts'
import { createVisitView } from './visit-view.ts'

/** Of what came last, refused or not. */
export const RECENT_AT_MOST = 50

export function createLook(depot: Depot) {
  const imageViews = createImageViews()
  const pullViews = createPullViews(depot)
  const visitView = createVisitView(depot.visit)
  const started = new Date().toISOString()
  return () => {
    const bases = depot.bases()
    const pulls = pullViews()
    const newest = [...depot.recentFetches()].reverse()
    return {
      /** When this run began, RFC 3339 UTC. */
      started,
      folder: depot.settings.folder,
      ledgerWritable: depot.ledger.writable,
      bases,
      addresses: addressesOf(depot, bases),
      /** That may stand in a line to paste. */
      own: depot.own().filter(({ offerable }) => offerable),
      images: imageViews(depot.catalogue.images(), bases),
      visit: visitView(),
      ...pulls,
      stalls: longStalls(pulls.underWay, Date.now()),
      refusals: newest.filter(({ ending }) => ending === 'refused').slice(0, RECENT_AT_MOST),
      /** Other fetches that ended. */
      fetches: newest.filter(({ ending }) => ending !== 'refused').slice(0, RECENT_AT_MOST),
    }
  }
}

function addressesOf(depot: Depot, bases: readonly Base[]): AddressView[] {
  return depot.own().map((own) => ({
    address: own.address,
    interface: own.interface,
    cidr: own.cidr,
    tunnel: own.tunnel,
    linkLocal: own.linkLocal,
    offerable: own.offerable,
    reached: depot.reached.has(own.address),
    urls: bases
      .filter((base) => base.own.address === own.address)
      .map(({ url, port, door }) => ({ url, port, door: door.name, lines: door.lines(port) })),
  }))
}

/** Images are frozen and replaced when they change: one view each, until the base URLs change. */
function createImageViews() {
  let basesText = ''
  let views = new WeakMap<Image, ShownImage>()
  return (images: readonly Image[], bases: readonly Base[]): readonly ShownImage[] => {
    const text = bases.map((base) => base.url).join(' ')
    if (text !== basesText) {
      basesText = text
      views = new WeakMap()
    }
    return images.map((image) => {
      const view = views.get(image) ?? shownImage(image, bases)
      views.set(image, view)
      return view
    })
  }
}

function shownImage(image: Image, bases: readonly Base[]): ShownImage {
  const { md5 = null, ...more } = image.version?.more ?? {}
  const crc32 = image.version?.crc32
  return { ...imageView(image, bases), md5, digests: { ...more, ...(crc32 !== undefined && { crc32 }) } }
}

/** What is over comes from the pulls themselves. The same array as before until a pull begins, ends or changes. */
function createPullViews(depot: Depot) {
  let last: { records: readonly PullRecord[]; busy: string; over: readonly PullRecord[] } | undefined
  return (): { underWay: readonly LivePull[]; over: readonly PullRecord[] } => {
    const records = depot.pulls.pulls()
    const underWay = depot.livePulls()
    const first = underWay.map((pull) => pull.fetches[0])
    const busy = first.join()
    if (last?.records !== records || last.busy !== busy) {
      const running = new Set(first)
      last = { records, busy, over: records.filter((pull) => !running.has(pull.fetches[0])) }
    }
    return { underWay, over: last.over }
  }
}
