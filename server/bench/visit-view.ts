/** The plan against what happened as the page shows it, a row a device. */
import type { PullRecord } from '../delivery/records.ts'
import type { LiveVisit } from '../visit/live-visit.ts'
import type { DevicePlan, Plan, Stranger } from '../visit/plan-shape.ts'
import { WRONG_IMAGE_ADVICE, wrongImageFetched, wrongImageUnderWay } from '../visit/wrong-image-words.ts'
import { markOf } from '../wording/marks.ts'
import {
  hasGroundsToTell,
  standingSentence,
  standingWords,
  strangerWords,
} from '../wording/standing-words.ts'
import type { PullView, VisitRowView, VisitView, WrongImageView } from './snapshot-shape.ts'

/** The same object until the plan changes, so that the page is not sent what it has. */
export function createVisitView(visit: Pick<LiveVisit, 'plan' | 'sheet'>): () => VisitView | null {
  let made: { plan: Plan; sheet: LiveVisit['sheet']; view: VisitView } | undefined
  return () => {
    const plan = visit.plan()
    const { sheet } = visit
    if (plan === undefined || sheet === undefined) return null
    if (made?.plan !== plan || made.sheet !== sheet) {
      const view: VisitView = {
        file: sheet.file,
        errors: [...sheet.errors, ...sheet.warnings],
        rows: plan.devices.map(rowView),
        strangers: plan.strangers.map(strangerView),
        wrongImages: plan.devices.flatMap(wrongImageOf),
        wrongPulls: plan.devices.flatMap(({ wrongPulls }) =>
          wrongPulls.flatMap(({ fetches }) => fetches[0] ?? []),
        ),
      }
      made = { plan, sheet, view }
    }
    return made.view
  }
}

function rowView(device: DevicePlan): VisitRowView {
  const step = device.steps[device.step - 1]
  const isWrong = device.standing === 'wrong image'
  const told = !isWrong && hasGroundsToTell(device) ? [standingSentence(device)] : []
  return {
    device: device.device,
    address: device.seenAt.at(-1) ?? device.address,
    mac: device.macSeen ?? device.mac,
    mark: markOf(device),
    pull: pullView(step?.pull ?? null),
    image: step?.image ?? null,
    versionBefore: device.versions.before ?? device.versions.plannedBefore,
    versionTarget: device.versions.target,
    targetGuessed: device.versions.targetGuessed,
    versionAfter: device.versions.after,
    standing: [isWrong ? device.standing : standingWords(device), ...returnWords(device)].join('; '),
    refused: device.standing === 'refused',
    wrongImage: isWrong ? wrongImageFetched({ ...wrongImageFacts(device), device: 'It' }) : null,
    // Of a pull that broke off the steps say more.
    warnings: device.grounds?.kind === 'broken off' ? device.warnings : [...told, ...device.warnings],
    note: step?.row.note ?? null,
    remarks: device.remarks,
  }
}

/** How far the pull came that a row shows. */
export function pullView(pull: PullRecord | null): PullView | null {
  if (pull === null) return null
  const { fetches, image, bytesCovered, ended, seconds } = pull
  return { id: fetches[0] ?? '', bytes: image.bytes, covered: bytesCovered, ended, seconds }
}

function wrongImageOf(device: DevicePlan): WrongImageView[] {
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

function strangerView({ addresses, mac, pulls, remark }: Stranger): VisitView['strangers'][number] {
  const client = mac === null ? addresses.join(', ') : `${addresses.join(', ')} (${mac})`
  const latest = pulls.at(-1)?.fetches[0] ?? null
  return { client, image: strangerWords(pulls), latest, remark }
}
