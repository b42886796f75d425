// Sentences and figures that more than one screen says the same way.

import type { Assurance, Band, ZoneAssurance } from '../lib/api/types'
import { w } from '../lib/i18n'
import { settings } from '../lib/settings.svelte'
import { chance, day, number } from '../lib/units'

export function band(b: Band): string {
  return `${chance(b.median)} (${chance(b.p05)}–${chance(b.p95)})`
}

/** The common name in English; in Spanish the scientific one, which every reader of a report knows. */
export function pest(a: { common_name: string; scientific_name: string }): string {
  return settings.language === 'en' ? a.common_name : a.scientific_name.split(' ').slice(0, 2).join(' ')
}

export function sentence(a: Assurance, zone: ZoneAssurance): string {
  const t = w().office.sure
  const words = { pest: pest(a), zone: zone.zone, flyers: number(a.flyers), seen: band(zone.sensitivity), day: day(a.on) }
  if (zone.found_on !== undefined) return t.found({ ...words, found: day(zone.found_on) })
  return zone.placements === 0 && zone.components === undefined ? t.nothing(words) : t.sentence(words)
}
