// Which value colours the cells, and in what steps: one place for the map's paint and its legend.

import type { MapFrame } from '../../lib/api/types'
import type { Expression, Filter, Surface } from './field-map'
import { rising, roundUp, squared } from './ramp'

export const VALUES = ['s', 'low', 'high', 'width', 'missed', 'weight'] as const
export type Value = (typeof VALUES)[number]

const s: Expression = ['coalesce', ['feature-state', 's'], ['get', 's'], 0]
const weight: Expression = ['coalesce', ['get', 'weight'], 0]

function expression(value: Value): Expression {
  switch (value) {
    case 's': return s
    case 'low': return ['coalesce', ['get', 's_low'], ['get', 's'], 0]
    case 'high': return ['coalesce', ['get', 's_high'], ['get', 's'], 0]
    case 'width': return ['-', ['coalesce', ['get', 's_high'], 0], ['coalesce', ['get', 's_low'], 0]]
    case 'missed': return ['*', weight, ['-', 1, s]]
    case 'weight': return weight
  }
}

export function steps(value: Value, frame: MapFrame): [number, string][] {
  // Weights lie close to nothing but for a few: their steps widen upwards, so that the many can be told apart.
  return value === 'weight' || value === 'missed' ? squared(roundUp(frame.weight.max)) : rising(roundUp(frame.sensitivity.max))
}

export function ramp(of: Expression, colours: [number, string][]): Expression {
  return ['interpolate', ['linear'], of, ...colours.flat()] as unknown as Expression
}

/** Low certainty: the low end is under half the median, where there is anything to be sure of. Design choice. */
export const DOUBT: Filter = ['all', ['>', ['coalesce', ['get', 's'], 0], 0.02], ['<', ['coalesce', ['get', 's_low'], ['get', 's']], ['*', 0.5, ['get', 's']]]]

export const OPACITY: Expression = ['case', ['>', weight, 0], 0.85, 0.25]

export function surface(tiles: string, value: Value, colours: [number, string][]): Surface {
  return { tiles, colour: ramp(expression(value), colours), opacity: OPACITY, ...(value === 's' || value === 'missed' ? { doubt: DOUBT } : {}) }
}

/** MapLibre's worker needs whole addresses. */
export const tiles = (path: string): string => `${location.origin}/api/1/tiles/${path}`
