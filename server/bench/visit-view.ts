/** The plan against what happened as the page shows it, a row a device. */
import type { PullRecord } from '../delivery/records.ts'
import { WRONG_IMAGE_ADVICE, wrongImageFetched, wrongImageUnderWay } from '../visit/allowed-images.ts'
import type { DevicePlan } from '../visit/device-plan.ts'
import type { LiveVisit } from '../visit/live-visit.ts'
import type { Plan, Stranger } from '../visit/plan.ts'
import { markOf } from '../wording/marks.ts'
import {
  hasGroundsToTell,
  standingSentence,
  standingWords,
  strangerWords,
} from '../wording/standing-words.ts'

export type VisitView = ReturnType<typeof viewOf>
export type VisitRowView = VisitView['rows'][number]

/** The same object until the plan changes, so that the page is not sent what it has. */
export function createVisitView(visit: Pick<LiveVisit, 'plan' | 'sheet'>): () => VisitView | null {
  let made: { plan: Plan; sheet: LiveVisit['sheet']; view: VisitView } | undefined
  return () => {
    const plan = visit.plan()
    const { sheet } = visit
    if (plan === undefined || sheet === undefined) return null
    if (made?.plan !== plan || made.sheet !== sheet) made = { plan, sheet, view: viewOf(plan, sheet) }
    return made.view
  }
}

function viewOf({ devices, strangers }: Plan, sheet: NonNullable<LiveVisit['sheet']>) {
  return {
    file: sheet.file,
    errors: [...sheet.errors, ...sheet.warnings],
    rows: devices.map(rowView),
    /** Clients that pulled without standing on the sheet. */
    strangers: strangers.map(strangerView),
    /** Devices that pull what the sheet does not plan for them, or pulled it last. */
    wrongImages: devices.flatMap(wrongImageOf),
    /** All such pulls, by their first fetch. */
    wrongPulls: devices.flatMap(({ wrongPulls }) => wrongPulls.flatMap(({ fetches }) => fetches[0] ?? [])),
  }
}

function rowView(device: DevicePlan) {
  const { versions } = device
  const step = device.steps[device.step - 1]
  const isWrong = device.standing === 'wrong image'
  const told = !isWrong && hasGroundsToTell(device) ? [standingSentence(device)] : []
  return {
    device: device.device,
    address: device.seenAt.at(-1) ?? device.address,
    mac: device.macSeen ?? device.mac,
    mark: markOf(device),
    /** Of the step at hand. */
    pull: step?.pull ? pullView(step.pull) : null,
    image: step?.image ?? null,
    versionBefore: versions.before ?? versions.plannedBefore,
    versionTarget: versions.target,
    /** From the name of the image. */
    targetGuessed: versions.targetGuessed,
    versionAfter: versions.after,
    standing: [isWrong ? device.standing : standingWords(device), ...returnWords(device)].join('; '),
    /** Its standing says why. */
    refused: device.standing === 'refused',
    /** Which image it pulled and which is planned, as a sentence. */
    wrongImage: isWrong ? wrongImageFetched({ ...wrongImageFacts(device), device: 'It' }) : null,
    /** Other plain sentences that need a hand; of a pull that broke off the steps say more. */
    warnings: device.grounds?.kind === 'broken off' ? device.warnings : [...told, ...device.warnings],
    /** Of the sheet. */
    note: step?.row.note ?? null,
    /** What was seen and how sure it is. */
    remarks: device.remarks,
  }
}

/** How far the pull came that a row shows, as recorded, named by its first fetch. Of one under way the page has more. */
export function pullView({ fetches, image, bytesCovered, ended, seconds }: PullRecord) {
  return { id: fetches[0] ?? '', bytes: image.bytes, covered: bytesCovered, ended, seconds }
}

/** `key` stays the same while the matter does; one that is under way can still be stopped. */
function wrongImageOf(device: DevicePlan) {
  const pull = device.wrongPulls.findLast(({ state }) => state === 'running') ?? device.wrongPulls.at(-1)
  if (pull === undefined) return []
  const key = `wrong ${device.device} ${pull.fetches[0]} ${pull.state}`
  const wrong = wrongImageFacts(device)
  if (pull.state === 'running') {
    const address = pull.addresses?.at(-1) ?? pull.client.address
    return [{ key, underWay: true, text: wrongImageUnderWay({ ...wrong, image: pull.image.name, address }) }]
  }
  if (device.standing !== 'wrong image') return []
  return [{ key, underWay: false, text: `${wrongImageFetched(wrong)} ${WRONG_IMAGE_ADVICE}` }]
}

function wrongImageFacts({ device, grounds, steps }: DevicePlan) {
  const planned = [...new Set(steps.flatMap(({ image }) => image ?? []))]
  return { device, planned, image: grounds?.kind === 'another image' ? grounds.image : '' }
}

function returnWords({ returned }: DevicePlan): string[] {
  if (returned === null) return []
  return [returned.backAt === null ? 'dark' : 'answers again']
}

/** `latest`: its last pull, by its first fetch. */
function strangerView({ addresses, mac, pulls, remark }: Stranger) {
  const client = mac === null ? addresses.join(', ') : `${addresses.join(', ')} (${mac})`
  const latest = pulls.at(-1)?.fetches[0] ?? null
  return { client, image: strangerWords(pulls), latest, remark }
}
