import { expect, it } from 'vitest'
import { serveLine } from '../../server/bench/serve-line.ts'
import { createSettings } from '../../server/settings.ts'

it('is short where nothing else was asked for', () => {
  expect(serveLine(createSettings({ folder: '/srv/library visit', open: true }), 'linux')).toBe(
    'fetchproof serve "/srv/library visit"',
  )
})

it('the flags of the run were left out of the line that starts it anew', () => {
  const settings = createSettings({
    folder: '/srv/visit',
    records: '/var/records',
    port: 8088,
    listen: ['192.0.2.10', '2001:db8::10'],
    allow: ['203.0.113.0/24'],
    paste: ['copy {url} flash:'],
    onlyPlanned: true,
    settleMs: 500,
    page: false,
  })
  expect(serveLine(settings, 'linux')).toBe(
    'fetchproof serve "/srv/visit" --listen 192.0.2.10 --listen 2001:db8::10 --port 8088 --allow 203.0.113.0/24 --settle-ms 500 --only-planned --paste "copy {url} flash:" --records "/var/records"',
  )
})

it('a folder with a dollar or a quote in its name reaches the program as it is', () => {
  const line = (folder: string, platform: NodeJS.Platform): string =>
    serveLine(createSettings({ folder }), platform)
  expect(line("/srv/it's $HOME", 'linux')).toBe(`fetchproof serve '/srv/it'\\''s $HOME'`)
  expect(line('/srv/desk $1', 'win32')).toBe('fetchproof serve "/srv/desk $1"')
})
