/** What to do next, on top of everything. */
import type { JSX } from 'preact'
import { DEFAULTS } from '../../defaults.ts'
import { clockText } from '../../wording/units.ts'
import type { NextStep, Weight } from '../snapshot-shape.ts'
import type { News } from './news.ts'
import { CopyLine, Section } from './parts.tsx'
import type { Permission } from './token.ts'

const WEIGHT_WORDS: Readonly<Record<Weight, string>> = {
  alarm: 'wrong image',
  act: 'needs a hand',
  look: 'have a look',
  tip: 'next',
}

interface NextStepsProps {
  readonly news: News
  readonly permission: Permission
  /** Leads to an image. */
  readonly onShow: (image: string) => void
}

export function NextSteps({ news, permission, onShow }: NextStepsProps): JSX.Element {
  const steps = [...pageSteps(news, permission), ...(news.snapshot?.nextSteps ?? [])]
  return (
    <Section id="next" title="What to do next">
      {steps.length === 0 ? (
        <p class="calm">{news.snapshot === undefined ? 'Asking the server.' : 'Nothing needs a hand.'}</p>
      ) : (
        <ul class="ruled">
          {steps.map((step) => (
            <Step key={step.key} step={step} onShow={onShow} />
          ))}
        </ul>
      )}
    </Section>
  )
}

function Step({ step, onShow }: { step: NextStep } & Pick<NextStepsProps, 'onShow'>): JSX.Element {
  const { image } = step
  return (
    <li class={`step ${step.weight}`}>
      <span class="weight">{WEIGHT_WORDS[step.weight]}</span>
      <div>
        <p>
          <bdi>{step.text}</bdi>{' '}
          {image !== undefined && (
            <button type="button" class="quiet" onClick={() => onShow(image)}>
              go to the image
            </button>
          )}
        </p>
        {step.line !== undefined && <CopyLine line={step.line} label="this line" />}
      </div>
    </li>
  )
}

/** So that this page meets the server again: the port may have been any that was free. */
function pagePortFlag(): string {
  return location.port === String(DEFAULTS.pagePort) ? '' : ` --page-port ${location.port}`
}

/** What only the page itself can know. */
function pageSteps({ connection, lostAt, quietSeconds, snapshot }: News, permission: Permission): NextStep[] {
  const steps: NextStep[] = []
  if (connection === 'lost') {
    const asOf =
      snapshot === undefined || lostAt === undefined
        ? ''
        : ` What stands below is as of ${clockText(lostAt.toISOString())}.`
    steps.push({
      key: 'lost',
      weight: 'act',
      text: `The server does not answer, and devices cannot fetch now.${asOf} If it was stopped, start it again; this page goes on by itself.`,
      ...(snapshot !== undefined && { line: snapshot.program.command + pagePortFlag() }),
    })
  }
  if (connection === 'silent') {
    steps.push({
      key: 'silent',
      weight: 'act',
      text: `No word from the server for ${quietSeconds} s, though its connection is open: it may have been stopped, or the laptop has too much to do. Devices may get nothing either. Look at the server’s window.`,
    })
  }
  if (permission === 'not said' && connection === 'live') {
    const text =
      'The server has not said whether this page may change anything, so it is read-only. It is asked again by itself.'
    steps.push({ key: 'not said', weight: 'look', text })
  }
  if (permission === 'no token') {
    const text =
      'This page is read-only. To lift, paste or drop anything, open it at the address that the server printed at its start.'
    steps.push({ key: 'no token', weight: 'tip', text })
  }
  if (permission === 'old token') {
    const text =
      'The server was started anew, so this page is read-only now. Open the address that it printed this time.'
    steps.push({ key: 'old token', weight: 'look', text })
  }
  return steps
}
