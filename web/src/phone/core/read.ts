// What the phone's own entries say: which stops are done, which labels are used, what is in the box.

import type { Day, PhoneTrap } from '../../lib/api/types'
import type { KeptEntry } from './db'

interface Taken { specimen?: string; what?: string; from?: { is: string; trap?: string; tree?: string; words?: string } }

const bodies = new WeakMap<object, Record<string, unknown>>()
export function bodyOf(kept: KeptEntry): Record<string, unknown> {
  let body = bodies.get(kept)
  if (body === undefined) {
    body = JSON.parse(kept.entry.body) as Record<string, unknown>
    bodies.set(kept, body)
  }
  return body
}

/** Entries that were taken back by a later one. */
export function withdrawn(entries: KeptEntry[]): Set<string> {
  return new Set(entries.filter((kept) => kept.entry.kind === 'correction').map((kept) => String(bodyOf(kept)['corrects'])))
}

/** Traps that were visited on a day, each with how its last visit ended. */
export function visitedOn(entries: KeptEntry[], day: string): Map<string, string> {
  const gone = withdrawn(entries)
  const out = new Map<string, string>()
  for (const kept of entries) {
    if (kept.entry.kind !== 'visit-made' || gone.has(kept.entry.id)) continue
    const body = bodyOf(kept)
    if (body['date'] === day) out.set(String(body['trap']), String(body['outcome']))
  }
  return out
}

/** Where a trap is, as far as this phone moved it. */
export type Moved = Pick<PhoneTrap, 'trap' | 'state'> & Partial<PhoneTrap>
interface Placed { trap: string; place: string; position: { lat: number; lon: number }; targets: string[]; hung: Day }

/** Traps that this phone hung or took down, as long as the day's list can't have told of it: those that were not sent, or only after `since`. */
export function movedHere(entries: KeptEntry[], since: number): Map<string, Moved> {
  const gone = withdrawn(entries)
  const out = new Map<string, Moved>()
  for (const kept of entries) {
    const { kind, id } = kept.entry
    if (gone.has(id) || (kept.sent_at !== undefined && kept.sent_at < since)) continue
    if (kind === 'trap-placed') {
      const { trap, place, position, targets, hung } = bodyOf(kept) as unknown as Placed
      out.set(trap, { trap, state: 'hanging', place, ...position, targets, hung })
    } else if (kind === 'trap-taken-down') {
      const trap = String(bodyOf(kept)['trap'])
      out.set(trap, { trap, state: 'stored' })
    }
  }
  return out
}

/** Labels given out by this phone, those that were taken back too: a number that was once on a vial is never given again. */
export function usedLabels(entries: KeptEntry[]): Set<string> {
  return new Set(entries.filter((kept) => kept.entry.kind === 'specimen-taken').map((kept) => String(bodyOf(kept)['specimen'])))
}

export interface InBox { specimen: string; from: string; what: string; taken: string }

/** Specimens that were taken with this phone and not yet offered to anybody. */
export function inBox(entries: KeptEntry[]): InBox[] {
  const gone = withdrawn(entries)
  const offered = new Set<string>()
  for (const kept of entries) {
    if (kept.entry.kind === 'specimens-offered' && !gone.has(kept.entry.id)) for (const label of bodyOf(kept)['specimens'] as string[]) offered.add(label)
  }
  const out: InBox[] = []
  for (const kept of entries) {
    if (kept.entry.kind !== 'specimen-taken' || gone.has(kept.entry.id)) continue
    const body = bodyOf(kept) as Taken
    const specimen = body.specimen ?? ''
    if (!offered.has(specimen)) out.push({ specimen, from: body.from?.trap ?? body.from?.tree ?? body.from?.words ?? '', what: body.what ?? 'other', taken: kept.entry.event_time })
  }
  return out
}

/** The label in what a scanner read: the text itself, or the last part of a link. */
export function labelIn(scanned: string): string {
  const text = scanned.trim()
  if (!/^https?:\/\//i.test(text)) return text
  try {
    const url = new URL(text)
    const last = url.pathname.split('/').filter((part) => part !== '').at(-1) ?? ''
    return decodeURIComponent(last)
  } catch {
    return text
  }
}

/** The enrolment code in what was scanned or typed: the code itself, or the link that carries it. */
export function codeIn(text: string): string {
  const match = /[#&]enrol=([^&\s]+)/.exec(text)
  return match?.[1] === undefined ? text.trim() : decodeURIComponent(match[1])
}
