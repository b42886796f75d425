// Ground and points of a response as the small map draws them.

import type { At } from '../../lib/api/types'
import type { Geometry, Shapes } from '../parts/minimap'
import { outline, type Sign } from '../rounds/crews'
import type { Find, LookSpot, OriginCell, Spot, TrapSpot } from './shapes'

/** How ground looks; each differs from the others without colour too. */
export type LayerLook = 'half' | 'most' | 'holds' | 'proposed' | 'inner' | 'bare'
export interface Layer { look: LayerLook; words: string; shapes: Shapes }

export type MarkLook = 'find' | 'trap' | 'r1' | 'r2' | 'r3' | 'look' | 'down' | 'tree'
export interface MarkPoint extends At { words?: string; n?: number }
/** `around`: shown where it lies in the picture, without making that larger. */
export interface Marks { look: MarkLook; words: string; points: MarkPoint[]; around?: boolean }

const SIGNS: Record<MarkLook, [Sign['shape'], number]> = { find: ['triangle', 8], trap: ['circle', 4], r1: ['circle', 4.5], r2: ['square', 4], r3: ['diamond', 4.5], look: ['circle', 1.6], down: ['square', 6], tree: ['circle', 8] }

/** The outline of a mark around (0, 0). */
export const markPath = (look: MarkLook): string => (look === 'down' ? 'M-6 -6l12 12m0 -12l-12 12' : outline(...SIGNS[look]))

export const collect = (geometries: (Geometry | null)[]): Shapes => ({ type: 'FeatureCollection', features: geometries.map((geometry) => ({ geometry })) })

/** Everything that shapes hold, as one. */
export const together = (layers: readonly Layer[]): Shapes => collect(layers.flatMap(({ shapes }) => shapes.features?.map((f) => f.geometry) ?? [shapes.geometry ?? (shapes as Geometry)]))

const polygon = (corners: readonly At[]): Geometry => ({ type: 'Polygon', coordinates: [[...corners, ...corners.slice(0, 1)].map(({ lon, lat }) => [lon, lat])] })

export const cellShapes = (cells: readonly OriginCell[], inHalf: boolean): Shapes => collect(cells.filter((c) => c.in95 && c.in50 === inHalf).map((c) => polygon(c.corners)))

// Metres of a degree of latitude, near enough for a drawing (WGS 84: 110.6 to 111.7 km).
const METRES_PER_DEGREE = 111_320
const CORNERS = 48

/** A circle on the ground. */
export function circle(at: At, radius: number): Geometry {
  const high = radius / METRES_PER_DEGREE
  const wide = high / Math.cos((at.lat * Math.PI) / 180)
  return polygon(Array.from({ length: CORNERS }, (_, i) => {
    const turn = (2 * Math.PI * i) / CORNERS
    return { lat: at.lat + high * Math.cos(turn), lon: at.lon + wide * Math.sin(turn) }
  }))
}

/** Corners of a polygon's outer ring. */
export const ringOf = (geometry: Geometry): At[] => (geometry.coordinates as [number, number][][])[0]?.map(([lon, lat]) => ({ lon, lat })) ?? []

const placed = (finds: readonly Find[]): (Find & { position: At })[] => finds.filter((f): f is Find & { position: At } => f.position !== undefined && f.position !== null)

export const findPoints = (finds: readonly Find[]): MarkPoint[] => placed(finds).map((f) => ({ ...f.position, words: `${f.label}, ${f.taken}` }))
export const bareGround = (finds: readonly Find[], radius: number): Shapes => collect(placed(finds).map((f) => circle(f.position, radius)))

/** Distances that are told of finds with a position alone, at each find. */
export function atFinds<T>(finds: readonly Find[], told: readonly T[]): Map<string, T> {
  return new Map(placed(finds).flatMap((f, i): [string, T][] => (i < told.length ? [[f.label, told[i] as T]] : [])))
}

type Ringed = (TrapSpot | LookSpot | Spot) & { ring?: number }
const nameOf = (spot: Ringed): string => ('place' in spot ? spot.place : spot.label)

/** Traps by ring, and trees to look at. Further out than ring 2, or in no ring, is one. */
export function surveyMarks(traps: readonly Ringed[], looks: readonly Ringed[], words: Record<'r1' | 'r2' | 'r3' | 'look', string>): Marks[] {
  const points = (spots: readonly Ringed[]): MarkPoint[] => spots.map((spot) => ({ ...spot.position, words: nameOf(spot) }))
  const ringOf = (spot: Ringed): 'r1' | 'r2' | 'r3' => (spot.ring === 1 ? 'r1' : spot.ring === 2 ? 'r2' : 'r3')
  const groups: Marks[] = [{ look: 'look', words: words.look, points: points(looks) }]
  for (const look of ['r1', 'r2', 'r3'] as const) groups.push({ look, words: words[look], points: points(traps.filter((spot) => ringOf(spot) === look)) })
  return groups.filter((group) => group.points.length > 0)
}

/** Polygons in GeoJSON that somebody gives; 0 where it is none. */
export function polygonsIn(value: unknown): number {
  if (typeof value !== 'object' || value === null) return 0
  const { type, features, geometry, coordinates } = value as { type?: unknown; features?: unknown; geometry?: unknown; coordinates?: unknown }
  if (type === 'FeatureCollection') return Array.isArray(features) ? features.reduce((sum: number, f) => sum + polygonsIn(f), 0) : 0
  if (type === 'Feature') return polygonsIn(geometry)
  if (!Array.isArray(coordinates)) return 0
  return type === 'Polygon' ? 1 : type === 'MultiPolygon' ? coordinates.length : 0
}
