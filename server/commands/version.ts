/** This program's version, from its package: two folders up from the source, three from the built file. */
import { existsSync, readFileSync } from 'node:fs'

const places = ['../../package.json', '../../../package.json'].map((up) => new URL(up, import.meta.url))
const found = places.find((place) => existsSync(place))

export const VERSION =
  found === undefined ? 'unknown' : (JSON.parse(readFileSync(found, 'utf8')) as { version: string }).version
