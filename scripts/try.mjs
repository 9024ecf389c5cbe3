/**
 * `npm run --silent try [-- URL]`: pulls the practice image from the server on this laptop, as a device would, and
 * compares it with the file in the staging folder. For machines without a download client.
 */
import { hash } from 'node:crypto'
import { readFileSync } from 'node:fs'

const url = process.argv[2] ?? 'http://127.0.0.1:8080/practice-image.bin'
const staged = readFileSync(new URL('../staging/practice-image.bin', import.meta.url))
try {
  const answer = await fetch(url)
  const body = Buffer.from(await answer.arrayBuffer())
  const same = body.equals(staged)
  const digest = hash('sha256', body, 'hex')
  console.log(`${url}: status ${answer.status}, ${body.length} bytes, SHA-256 ${digest.slice(0, 12)}…`)
  console.log(same ? 'It is the practice image, byte for byte.' : 'This is not the practice image.')
  process.exitCode = same ? 0 : 1
} catch (error) {
  console.error(
    `${url} does not answer (${error.cause?.code ?? error.message}). Is "npm start" running in another window?`,
  )
  process.exitCode = 3
}
