/** What needs a person, worst first, each with its one next act; more than three fold. */
import { DEFAULTS } from '../../defaults.ts'
import type { NextStep, Weight } from '../snapshot-shape.ts'
import type { LiveSnapshot } from './live-snapshot.ts'
import { MarkOf, type Shape } from './marks.tsx'
import { CopyLine, Section, useShown } from './parts.tsx'
import type { Permission } from './token.ts'

const WEIGHTS: Readonly<Record<Weight, { word: string; shape: Shape }>> = {
  alarm: { word: 'wrong image', shape: 'warning' },
  act: { word: 'needs attention', shape: 'warning' },
  look: { word: 'have a look', shape: 'half' },
  tip: { word: 'next', shape: 'arrow' },
}
const SHOWN = 3

interface AttentionProps {
  readonly live: LiveSnapshot
  readonly permission: Permission
  /** Leads to an image. */
  readonly onShow: (image: string) => void
}

export function Attention({ live, permission, onShow }: AttentionProps) {
  const steps = [...pageSteps(live, permission), ...(live.snapshot?.nextSteps ?? [])]
  const words = { more: `${steps.length - SHOWN} more`, less: `show the first ${SHOWN}` }
  const { shown, more } = useShown(steps, SHOWN, words)
  return (
    <Section id="next" title="Attention">
      {steps.length === 0 ? (
        <p class="calm">{live.snapshot === undefined ? 'Asking the server.' : 'Nothing needs attention.'}</p>
      ) : (
        <ul class="steps">
          {shown.map((step) => (
            <Step key={step.key} step={step} onShow={onShow} />
          ))}
        </ul>
      )}
      {more}
    </Section>
  )
}

function Step({ step, onShow }: { step: NextStep } & Pick<AttentionProps, 'onShow'>) {
  const { image, weight } = step
  return (
    <li class={`step ${weight}`}>
      <MarkOf {...WEIGHTS[weight]} />
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
function pageSteps({ connection, quietSeconds, snapshot }: LiveSnapshot, permission: Permission): NextStep[] {
  const steps: NextStep[] = []
  if (connection === 'lost') {
    steps.push({
      key: 'lost',
      weight: 'act',
      text: `The server does not answer, and devices cannot fetch now. If it was stopped, start it again; this page goes on by itself.`,
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
  const words = PERMISSION_STEPS[permission]
  if (words !== undefined && (permission !== 'not said' || connection === 'live')) {
    steps.push({ key: permission, ...words })
  }
  return steps
}

const PERMISSION_STEPS: Readonly<Partial<Record<Permission, Pick<NextStep, 'weight' | 'text'>>>> = {
  'not said': {
    weight: 'look',
    text: 'The server has not said whether this page may change anything, so it is read-only. It is asked again by itself.',
  },
  'no token': {
    weight: 'tip',
    text: 'This page is read-only. To lift, paste or drop anything, open it at the address that the server printed at its start.',
  },
  'old token': {
    weight: 'look',
    text: 'What answers here does not know the token of this page, so it is read-only now. If the server was restarted with a new token, open the address that it printed this time.',
  },
}
