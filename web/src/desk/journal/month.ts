// The figures of a month as rows, for the screen and for a spreadsheet: the same rows, so that they can't differ.

import type { Count, Month } from '../parts/shapes'

export interface MonthWords {
  traps: string; outAtStart: string; hung: string; relocated: string; takenDown: string; writtenOff: string; outAtEnd: string; lostAs: (what: string) => string
  required: string; noPlan: string; stops: string; due: string; onTime: string; late: string; excused: string; missed: string; missedFor: (what: string) => string; visits: string; looked: string; hours: string
  specimens: string; taken: string; determined: string; screened: string; pendingCount: string; planted: string; plantedIn: string; recovered: string; plantedMissed: string; plantedLost: string
  trees: string; inspections: string; treesLooked: string; branches: string; branchesPositive: string; branchesNegative: string; lookHours: string
}
export interface Part { title: string; rows: [what: string, count: number | string][] }

const counts = (all: Count[], words: (what: string) => string): [string, number][] => all.map((c) => [words(c.what), c.count])

export function figures(now: Month, m: MonthWords, name: (target: string) => string): Part[] {
  const { traps, stops, specimens, planted, trees } = now
  return [
    { title: m.traps, rows: [[m.outAtStart, traps.out_at_start], [m.hung, traps.hung], [m.relocated, traps.relocated], [m.takenDown, traps.taken_down], [m.writtenOff, traps.written_off], ...counts(traps.lost, m.lostAs), [m.outAtEnd, traps.out_at_end]] },
    ...now.targets.map((t): Part => ({ title: name(t.target), rows: [[m.required, t.required ?? m.noPlan], [m.outAtStart, t.out_at_start], [m.outAtEnd, t.out_at_end]] })),
    { title: m.stops, rows: [[m.due, stops.due], [m.onTime, stops.on_time], [m.late, stops.late], [m.excused, stops.excused], [m.missed, stops.missed], ...counts(stops.missed_why, m.missedFor), [m.visits, stops.visits], [m.looked, stops.looked], [m.hours, stops.hours]] },
    { title: m.specimens, rows: [[m.taken, specimens.taken], [m.determined, specimens.determined], [m.screened, specimens.screened], [m.pendingCount, specimens.pending.length]] },
    { title: m.planted, rows: [[m.plantedIn, planted.planted], [m.recovered, planted.recovered], [m.plantedMissed, planted.missed], [m.plantedLost, planted.lost]] },
    { title: m.trees, rows: [[m.inspections, trees.inspections], [m.treesLooked, trees.trees], [m.branches, trees.branch_samples], [m.branchesPositive, trees.branches_positive], [m.branchesNegative, trees.branches_negative], [m.lookHours, trees.hours]] },
  ]
}
