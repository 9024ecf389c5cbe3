/** The plan against what happened as the page shows it, a row a device. */
import type { DevicePlan, Plan, Stranger } from '../visit/plan-shape.ts'
import { needsAHand, standingWords, strangerWords, targetWords } from '../visit/plan-words.ts'
import type { VisitDesk } from '../visit/visit-desk.ts'
import type { VisitRowView, VisitView, WrongImageView } from './snapshot-shape.ts'

/** The same object until the plan changes, so that the page is not sent what it has. */
export function createVisitView(desk: Pick<VisitDesk, 'plan' | 'sheet'>): () => VisitView | null {
  let made: { plan: Plan; sheet: VisitDesk['sheet']; view: VisitView } | undefined
  return () => {
    const plan = desk.plan()
    const { sheet } = desk
    if (plan === undefined || sheet === undefined) return null
    if (made?.plan !== plan || made.sheet !== sheet) {
      const view: VisitView = {
        file: sheet.file,
        errors: sheet.errors,
        rows: plan.devices.map(rowView),
        strangers: plan.strangers.map(strangerView),
      }
      made = { plan, sheet, view }
    }
    return made.view
  }
}

function rowView(device: DevicePlan): VisitRowView {
  const step = device.steps[device.step - 1]
  const warnings = device.standing === 'wrong image' ? device.warnings.slice(1) : device.warnings
  return {
    device: device.device,
    address: device.seenAt.at(-1) ?? device.address,
    image: step?.image ?? null,
    versionBefore: device.versions.before ?? device.versions.plannedBefore,
    versionTarget: targetWords(device.versions),
    versionAfter: device.versions.after,
    standing: [standingWords(device), ...returnWords(device), ...warnings].join('; '),
    wrong: needsAHand(device),
    wrongImage: wrongImageOf(device),
    warnings,
    note: [step?.row.note ?? null, ...device.remarks].filter((part) => part !== null).join(' ') || null,
  }
}

function wrongImageOf({ standing, steps, wrongPulls }: DevicePlan): WrongImageView | null {
  const last = wrongPulls.at(-1)
  if (standing !== 'wrong image' || last === undefined) return null
  return {
    name: last.image.name,
    planned: steps.flatMap(({ image }) => image ?? []).join(', then '),
    underWay: last.state === 'running' ? (last.fetches[0] ?? null) : null,
  }
}

function returnWords({ returned }: DevicePlan): string[] {
  if (returned === null) return []
  return [returned.backAt === null ? 'dark' : 'answers again']
}

function strangerView({ addresses, mac, pulls }: Stranger): { client: string; image: string } {
  const client = mac === null ? addresses.join(', ') : `${addresses.join(', ')} (${mac})`
  return { client, image: strangerWords(pulls) }
}
