/**
 * What the page saves: the report of the visit as it stands (`GET /api/report`), and what was seen without a sheet as
 * one to go on with (`POST /api/sheet`).
 */
import { writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import type { FastifyInstance } from 'fastify'
import Type, { type Static } from 'typebox'
import type { Depot } from '../depot/depot.ts'
import { FetchproofError, systemCode } from '../errors.ts'
import { visitCsv } from '../report/visit-csv.ts'
import { visitFacts } from '../report/visit-facts.ts'
import { visitHtml } from '../report/visit-html.ts'
import { visitReport } from '../report/visit-report.ts'
import { SHEET_FILE } from '../staging/offered-names.ts'
import { sheetOfPulls } from '../visit/written-sheets.ts'
import { Nothing, type Post, strict } from './requests.ts'

const TYPES = { html: 'text/html; charset=utf-8', csv: 'text/csv; charset=utf-8' } as const

const ReportQuery = strict({ format: Type.Union([Type.Literal('html'), Type.Literal('csv')]) })

export function addSaving(app: FastifyInstance, change: Post, depot: Depot): void {
  app.get<{ Querystring: Static<typeof ReportQuery> }>(
    '/api/report',
    { schema: { querystring: ReportQuery } },
    async ({ query }, reply) => {
      await depot.ledger.synced()
      const made = new Date().toISOString()
      const report = visitReport(await visitFacts([depot.ledger.file]), { made, version: depot.version })
      // As a file: the page's own policy would take the report its style.
      reply.header('content-disposition', `attachment; filename="visit-report.${query.format}"`)
      return reply
        .type(TYPES[query.format])
        .send(query.format === 'html' ? visitHtml(report) : visitCsv(report))
    },
  )
  change('/api/sheet', Nothing, async () => {
    await writeNew(join(depot.settings.folder, SHEET_FILE), sheetOfPulls(depot.pulls.pulls()))
    return { saved: SHEET_FILE }
  })
}

/** Never onto a file that is there, nor through a link. Throws FP_SHEET_EXISTS, FP_SHEET_UNWRITABLE. */
async function writeNew(file: string, text: string): Promise<void> {
  try {
    await writeFile(file, text, { flag: 'wx', mode: 0o644 })
  } catch (error) {
    const code = systemCode(error)
    if (code === 'EEXIST') throw new FetchproofError('FP_SHEET_EXISTS', { file: SHEET_FILE })
    const cause = code ?? String(error)
    throw new FetchproofError('FP_SHEET_UNWRITABLE', { file: SHEET_FILE, cause }, { cause: error })
  }
}
