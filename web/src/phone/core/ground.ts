// Distances and bearings on the ground, as good as a person on foot needs them.

import type { At } from '../../lib/api/types'

/** Mean radius of the Earth, metres (IUGG). */
const EARTH_M = 6_371_008.8
const rad = (degrees: number): number => (degrees * Math.PI) / 180

/** Great-circle distance, haversine. */
export function metres(a: At, b: At): number {
  const h = Math.sin(rad(b.lat - a.lat) / 2) ** 2 + Math.cos(rad(a.lat)) * Math.cos(rad(b.lat)) * Math.sin(rad(b.lon - a.lon) / 2) ** 2
  return 2 * EARTH_M * Math.asin(Math.min(1, Math.sqrt(h)))
}

/** 0 to 7: north, north-east, … of `b` seen from `a`. */
export function octant(a: At, b: At): number {
  const y = Math.sin(rad(b.lon - a.lon)) * Math.cos(rad(b.lat))
  const x = Math.cos(rad(a.lat)) * Math.sin(rad(b.lat)) - Math.sin(rad(a.lat)) * Math.cos(rad(b.lat)) * Math.cos(rad(b.lon - a.lon))
  const degrees = (Math.atan2(y, x) * 180) / Math.PI
  return Math.round(((degrees + 360) % 360) / 45) % 8
}

/** Opens the phone's own map program. */
export function wayThere(at: At, name: string): string {
  const place = `${at.lat.toFixed(6)},${at.lon.toFixed(6)}`
  return `geo:${place}?q=${place}(${encodeURIComponent(name)})`
}
