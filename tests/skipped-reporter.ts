/**
 * Says in one line how many tests were skipped, for want of what, and how to get it. With FETCHPROOF_SKIP_NOTHING,
 * which `.ci/run` sets, each skipped test is named and the run fails.
 */
import type { Reporter, TestCase, TestModule, TestSuite } from 'vitest/node'
import { howToGet, type Needed } from './needs.ts'

export default class SkippedReporter implements Reporter {
  onTestRunEnd(modules: readonly TestModule[]): void {
    const skipped = modules.flatMap((module) => [...module.children.allTests('skipped')])
    if (skipped.length === 0) return
    console.log(summaryOf(skipped))
    if (process.env.FETCHPROOF_SKIP_NOTHING === undefined) return
    for (const test of skipped) {
      console.error(
        `Skipped, which FETCHPROOF_SKIP_NOTHING forbids: ${test.module.moduleId}: ${test.fullName}`,
      )
    }
    process.exitCode = 1
  }
}

function summaryOf(skipped: readonly TestCase[]): string {
  const lacks = [...new Set(skipped.flatMap(lackedBy))].sort((a, b) => a.localeCompare(b))
  const packages = [...new Set(lacks.flatMap((name) => howToGet(name).package ?? []))]
  const ways = [
    packages.length > 0 ? `apt-get install ${packages.join(' ')}` : [],
    lacks.flatMap((name) => howToGet(name).hint ?? []),
  ].flat()
  const reason = lacks.length === 0 ? 'by choice' : `for want of ${lacks.join(', ')}`
  const way = ways.length === 0 ? '' : ` To run them: ${[...new Set(ways)].join('; ')}.`
  return `${skipped.length} tests were skipped ${reason}.${way}`
}

/** What the test or a group around it lacks. */
function lackedBy(test: TestCase): readonly Needed[] {
  const lacks: Needed[] = []
  for (let at: TestCase | TestSuite | TestModule = test; at.type !== 'module'; at = at.parent) {
    lacks.push(...(at.meta().lacks ?? []))
  }
  return lacks
}
