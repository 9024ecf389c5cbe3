/** Puts the page together and draws it. */
import { render } from 'preact'
import { useMemo, useState } from 'preact/hooks'
import { createAnnouncer } from './announcements.ts'
import { BenchPage } from './bench-page.tsx'
import { createDropQueue } from './drops.ts'
import { createLiveSnapshot } from './live-snapshot.ts'
import { createTokenKeeper } from './token.ts'

/** Draws the page again, as soon as it has been drawn once. */
let draw = (): void => undefined
const onChange = (): void => draw()

const announcer = createAnnouncer(onChange)
const tokens = createTokenKeeper(onChange)
const live = createLiveSnapshot({ onChange, onRun: () => void tokens.check(), say: announcer.say })
const drops = createDropQueue(tokens, announcer.say)

function Page() {
  const [, setDrawn] = useState(0)
  draw = () => setDrawn((times) => times + 1)
  const permission = tokens.permission()
  const mayChange = permission === 'may change' && live().connection !== 'lost'
  const bench = useMemo(() => ({ ask: tokens.ask, mayChange, answer: announcer.answer, drops }), [mayChange])
  return <BenchPage live={live()} permission={permission} bench={bench} announcement={announcer.text()} />
}

const place = document.getElementById('page')
if (place !== null) {
  place.textContent = ''
  render(<Page />, place)
}
