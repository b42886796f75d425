// What is asked and said of one response.

import { query } from '../../lib/api/client'
import type { Day, JournalRow, Moment } from '../../lib/api/types'
import type { AreaDrawn, AreaLifted, Delimiting, Standing } from './shapes'

/** The path of a find's call. */
export const callOf = (find: string, rest = ''): string => `/responses/${encodeURIComponent(find)}${rest}`

/** Entries of a kind about the find's response; what was withdrawn is left out by `bodies`. */
export const entriesOf = (kind: string, find: string): string => `/journal${query({ kind, subject: `response:${find}`, limit: 500 })}`
export function bodies<T extends { find: string }>(rows: readonly (JournalRow & { withdrawn_by?: string })[] | undefined, find: string): T[] {
  return (rows ?? []).filter((row) => row.withdrawn_by === undefined).map((row) => row.body as T).filter((body) => body.find === find)
}

export interface Version extends AreaDrawn { state: 'holds' | 'lifted' | 'replaced'; lifted?: AreaLifted }
/** Versions of the area, the newest first, and what became of each. Only the newest can hold. */
export function versionsOf(drawn: readonly AreaDrawn[], lifted: readonly AreaLifted[]): Version[] {
  const newest = Math.max(0, ...drawn.map((area) => area.version))
  return drawn.map((area): Version => {
    const end = lifted.find((l) => l.version === area.version)
    return { ...area, state: end !== undefined ? 'lifted' : area.version === newest ? 'holds' : 'replaced', ...(end === undefined ? {} : { lifted: end }) }
  }).sort((a, b) => b.version - a.version)
}

/** The level that a notice's standing is shown with. */
export const LEVELS: Record<Standing, 'fine' | 'warn' | 'fail' | 'hold'> = { 'done': 'fine', 'done-late': 'warn', 'due': 'warn', 'late': 'fail', 'waits': 'hold' }

/** Whole hours from the confirmation to a notice's time. */
export const hoursAfter = (from: Moment, to: Moment): number => Math.round((Date.parse(to) - Date.parse(from)) / 3_600_000)

/** A time as a form has it ("2026-05-01T14:30", of this browser's zone) as a moment; undefined where it is none. */
export function momentOf(typed: string): Moment | undefined {
  const at = Date.parse(typed)
  return Number.isNaN(at) ? undefined : new Date(at).toISOString()
}

/** Spots without a place, counted by ring and reason, the most first. */
export function unplacedOf(survey: Delimiting): { ring: number; why: string; count: number }[] {
  const all = new Map<string, { ring: number; why: string; count: number }>()
  for (const { ring, why } of survey.unplaced) {
    const key = `${ring} ${why}`
    const row = all.get(key) ?? { ring, why, count: 0 }
    all.set(key, { ...row, count: row.count + 1 })
  }
  return [...all.values()].sort((a, b) => b.count - a.count || a.ring - b.ring)
}

/** What is wrong with a span of days. */
export const endsBefore = (from: Day, to: Day): boolean => to !== '' && from !== '' && to < from
