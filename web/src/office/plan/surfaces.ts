// How the cells of drafts are coloured: one draft by its sensitivity, two by their difference.

import type { Expression, Surface } from '../map/field-map'
import { apart, rising } from '../map/ramp'
import { OPACITY, ramp, tiles } from '../map/surface'

const s: Expression = ['coalesce', ['feature-state', 's'], ['get', 's'], 0]

export function draftSurface(draft: string, top: number): Surface {
  return { tiles: tiles(`plan/${draft}/{z}/{x}/{y}.mvt`), colour: ramp(s, rising(top)), opacity: OPACITY }
}

export function differenceSurface(a: string, b: string, top: number): Surface {
  return { tiles: tiles(`compare/${a}/${b}/{z}/{x}/{y}.mvt`), colour: ramp(['coalesce', ['get', 'd'], 0], apart(top)), opacity: 0.85 }
}
