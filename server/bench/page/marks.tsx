/** Marks: a shape and a word each, so that neither colour nor eyesight decides. */
import { MARK_WORDS, type Mark } from '../../wording/marks.ts'

/** In a square of 16; what is filled reads from afar. */
const SHAPES = {
  tick: (
    <>
      <circle cx="8" cy="8" r="7.5" />
      <path class="cut" d="M4.2 8.4l2.6 2.7 5-5.6" />
    </>
  ),
  seal: (
    <>
      <rect x="0.5" y="0.5" width="15" height="15" />
      <path class="cut" d="M4.2 8.4l2.6 2.7 5-5.6" />
    </>
  ),
  arrow: <path d="M2 1l13 7-13 7z" />,
  bars: <path d="M2.5 1h4v14h-4zM9.5 1h4v14h-4z" />,
  ring: <circle class="line" cx="8" cy="8" r="6.5" />,
  half: (
    <>
      <circle class="line" cx="8" cy="8" r="6.5" />
      <path d="M8 1.5a6.5 6.5 0 0 1 0 13z" />
    </>
  ),
  warning: (
    <>
      <path d="M8 0l8 15H0z" />
      <path class="cut" d="M8 5v5M8 11.6v1.6" />
    </>
  ),
  dash: <path d="M2 6.75h12v2.5H2z" />,
}
export type Shape = keyof typeof SHAPES

const SHAPE_OF: Readonly<Record<Mark, Shape>> = {
  attention: 'warning',
  stalled: 'bars',
  pulling: 'arrow',
  unconfirmed: 'half',
  waiting: 'ring',
  unseen: 'dash',
  pulled: 'tick',
  confirmed: 'seal',
  unplanned: 'dash',
}

export function DeviceMark({ mark }: { mark: Mark }) {
  return <MarkOf shape={SHAPE_OF[mark]} word={MARK_WORDS[mark]} />
}

export function MarkOf({ shape, word }: { shape: Shape; word: string }) {
  return (
    <span class={`mark ${shape}`}>
      <svg class="shape" viewBox="0 0 16 16" aria-hidden="true" focusable="false">
        {SHAPES[shape]}
      </svg>
      {word}
    </span>
  )
}
