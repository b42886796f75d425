// What somebody changed in a draft: each change keeps the state before it, so that it can be undone.

import type { At, Spot } from '../../lib/api/types'

export interface Edits { moved: ReadonlyMap<string, At>; added: ReadonlyMap<string, At>; removed: ReadonlySet<string> }

export const NO_EDITS: Edits = { moved: new Map(), added: new Map(), removed: new Set() }

export const count = (e: Edits): number => e.moved.size + e.added.size + e.removed.size

export function move(e: Edits, label: string, at: At): Edits {
  if (e.added.has(label)) return { ...e, added: new Map(e.added).set(label, at) }
  return { ...e, moved: new Map(e.moved).set(label, at) }
}

/** A label no place of the draft and no other addition has. */
export function add(e: Edits, at: At, taken: ReadonlySet<string>): { edits: Edits; label: string } {
  let n = e.added.size + 1
  while (taken.has(`new-${n}`) || e.added.has(`new-${n}`)) n++
  return { edits: { ...e, added: new Map(e.added).set(`new-${n}`, at) }, label: `new-${n}` }
}

export function remove(e: Edits, label: string): Edits {
  if (e.added.has(label)) {
    const added = new Map(e.added)
    added.delete(label)
    return { ...e, added }
  }
  const moved = new Map(e.moved)
  moved.delete(label)
  return { ...e, moved, removed: new Set(e.removed).add(label) }
}

export interface EditedSpot extends Spot { changed: boolean }

/** The draft's places as changed. */
export function apply(places: Spot[], e: Edits): EditedSpot[] {
  const kept = places.filter((p) => !e.removed.has(p.label)).map((p) => {
    const at = e.moved.get(p.label)
    return at === undefined ? { ...p, changed: false } : { ...p, ...at, kept: false, changed: true }
  })
  return [...kept, ...[...e.added].map(([label, at]) => ({ label, ...at, changed: true }))]
}

// A sphere of the mean radius (IUGG) is near enough for a nudge of some metres.
const DEGREE_M = (6_371_008.8 * Math.PI) / 180

export function nudge(at: At, east: number, north: number): At {
  return { lat: at.lat + north / DEGREE_M, lon: at.lon + east / (DEGREE_M * Math.cos((at.lat * Math.PI) / 180)) }
}
