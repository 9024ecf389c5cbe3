// README.txt of a portable folder: how it starts on this system, then what README.md says for every system.
import { readFileSync } from 'node:fs'
import { RUNTIME } from './targets.mjs'

const START = {
  win: `Start: double-click fetchproof.cmd. In a window of the command prompt: fetchproof.cmd --help

Windows may ask whether a downloaded program shall run: "More info", then "Run anyway". Compare the archive with
SHA256SUMS beside the download before: certutil -hashfile fetchproof-….zip SHA256

The firewall of Windows asks at the first start whether devices may reach "Node.js JavaScript Runtime": allow it for
the kind of network that the cable is on. Without the right to do so, ask whoever keeps this laptop; the bench page
shows the line that opens it.

A file that a device is fetching cannot be replaced by renaming another one over it (Windows refuses: EPERM). Wait for
the end of the fetch, copy the new file over it (what is being fetched is reset at once), or delete it first.`,
  darwin: `Start: double-click fetchproof.command. In a terminal: ./fetchproof --help

macOS keeps what was downloaded with a browser from running. Compare the archive with SHA256SUMS beside the download
(shasum -a 256 fetchproof-….tar.gz), then take the mark off: xattr -dr com.apple.quarantine FOLDER`,
  linux: `Start: ./fetchproof in a terminal; or double-click it, where the file manager runs programs. Help: ./fetchproof --help

Needs glibc 2.28 or later and libstdc++ (every desktop distribution of the last years has both).`,
}

export function readmeOf(target) {
  const [system] = target.split('-')
  return `Fetchproof
==========

A local staging server for device firmware, with integrity checks. Everything that it needs is in this folder: nothing
is installed, nothing is fetched, no administrator's rights are asked for.

${START[system]}

Put your images into the folder "staging"; they are offered on port 8080, or on the next free one. A second start opens
the page of the first. Another folder: fetchproof serve FOLDER --open
From a stick that cannot be written: fetchproof serve FOLDER --open --records FOLDER-FOR-THE-RECORD

The runtime in this folder is Node.js ${RUNTIME.version}, as its makers signed it; they support it until ${RUNTIME.supportedUntil}.
"sha256sum -c SHA256SUMS" compares every file of this folder; LICENSES.txt holds the licences of all that is in it.

${manual()}`
}

/** From "What it does for you" to the cautions, without what is for those who work on the program. */
function manual() {
  const text = readFileSync(new URL('../../README.md', import.meta.url), 'utf8')
  const from = text.indexOf('## What it does for you')
  const to = text.indexOf('## Working on it')
  if (from < 0 || to < from) throw new Error('README.md has other headings than README.txt is made of')
  return text.slice(from, to).replace(/^(!\[|<img ).*$\n*/gm, '')
}
