/** Puts the page together and draws it. */
import { render } from 'preact'
import { useState } from 'preact/hooks'
import { createAnnouncer } from './announcer.ts'
import { BenchPage } from './bench-page.tsx'
import { createSource, useSource } from './context.ts'
import { createDropQueue } from './drops.ts'
import { createLiveSnapshot } from './live-snapshot.ts'
import { createAsk } from './local-api.ts'
import type { ReplaceQuestion } from './replace-dialog.tsx'
import { createTokenKeeper } from './token.ts'

const source = createSource()
let announcement = ''
let question: ReplaceQuestion | undefined

const announcer = createAnnouncer((text) => {
  announcement = text
  source.told()
})
const tokens = createTokenKeeper(source.told)
const live = createLiveSnapshot({
  onChange: source.told,
  onRun: () => void tokens.check(),
  say: announcer.say,
})

function mayReplace(name: string): Promise<boolean> {
  return new Promise((answered) => {
    question = {
      name,
      answer(replace) {
        question = undefined
        source.told()
        answered(replace)
      },
    }
    source.told()
  })
}

const drops = createDropQueue({ tokens, mayReplace, say: announcer.say })
const ask = createAsk(tokens)

function Page() {
  useSource(source.subscribe)
  const mayChange = tokens.permission() === 'may change' && live.now().connection !== 'lost'
  const [bench, setBench] = useState({ ask, mayChange, answer: announcer.answer })
  if (bench.mayChange !== mayChange) setBench({ ...bench, mayChange })
  return (
    <BenchPage
      live={live.now()}
      permission={tokens.permission()}
      bench={bench}
      drops={drops}
      question={question}
      announcement={announcement}
    />
  )
}

const place = document.getElementById('page')
if (place !== null) {
  place.textContent = ''
  render(<Page />, place)
}
