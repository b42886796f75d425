// How far a person's word goes for a target today, as far as this page knows; the journal decides.

import type { Day, PersonRow } from '../../lib/api/types'

const RANKS = ['tentative', 'determined', 'confirmed'] as const
export type Reach = 'none' | (typeof RANKS)[number]

/** Of the grants for the target that have begun, the newest stands, also where it grants less or has run out. */
export function standing(row: PersonRow, target: string, today: Day): Reach {
  const covers = row.authorities.filter((a) => a.from <= today && (a.taxa.includes('*') || a.taxa.includes(target)))
  const last = covers.at(-1)
  if (last === undefined || (last.to !== undefined && last.to < today)) return 'none'
  return RANKS.find((rank) => rank === last.up_to) ?? 'none'
}
