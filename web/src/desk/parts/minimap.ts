// From degrees to a small drawing: an equirectangular map that keeps lengths true at its middle. Good for a county, not a
// continent.

export type Position = [lon: number, lat: number]
export interface Geometry { type: string; coordinates?: unknown; geometries?: Geometry[] }
export interface Shapes { type: string; features?: { geometry: Geometry | null }[]; geometry?: Geometry | null; coordinates?: unknown }
export interface Box { west: number; south: number; east: number; north: number }
export interface View { height: number; metresPerUnit: number; at: (p: Position) => [number, number] }

const METRES_PER_DEGREE = 111_320 // of latitude, near enough for a drawing (WGS 84: 110.6 to 111.7 km)

function geometries(shapes: Shapes): Geometry[] {
  if (shapes.features !== undefined) return shapes.features.flatMap((f) => (f.geometry === null ? [] : [f.geometry]))
  if (shapes.geometry !== undefined) return shapes.geometry === null ? [] : [shapes.geometry]
  return [shapes as Geometry]
}

const isPosition = (c: unknown): c is Position => Array.isArray(c) && typeof c[0] === 'number' && typeof c[1] === 'number'

function walk(coordinates: unknown, each: (p: Position) => void): void {
  if (isPosition(coordinates)) each(coordinates)
  else if (Array.isArray(coordinates)) for (const inner of coordinates) walk(inner, each)
}

function eachPosition(geometry: Geometry, each: (p: Position) => void): void {
  if (geometry.geometries !== undefined) for (const inner of geometry.geometries) eachPosition(inner, each)
  else walk(geometry.coordinates, each)
}

/** What all of it spans, with a margin of `least` degrees or more; nothing where there is no position. */
export function bounds(points: readonly { lat: number; lon: number }[], shapes?: Shapes, least = 0.002): Box | undefined {
  const box: Box = { west: Infinity, south: Infinity, east: -Infinity, north: -Infinity }
  const grow = ([lon, lat]: Position): void => {
    box.west = Math.min(box.west, lon); box.east = Math.max(box.east, lon)
    box.south = Math.min(box.south, lat); box.north = Math.max(box.north, lat)
  }
  for (const point of points) grow([point.lon, point.lat])
  if (shapes !== undefined) for (const geometry of geometries(shapes)) eachPosition(geometry, grow)
  if (!Number.isFinite(box.west)) return undefined
  const margin = Math.max((box.east - box.west) * 0.06, (box.north - box.south) * 0.06, least)
  return { west: box.west - margin, south: box.south - margin, east: box.east + margin, north: box.north + margin }
}

export function project(box: Box, width: number): View {
  const shrink = Math.cos((((box.south + box.north) / 2) * Math.PI) / 180)
  const wide = (box.east - box.west) * shrink
  const high = box.north - box.south
  // Never higher than wide by half, never a thin strip: the drawing is then centred in what is left.
  const height = Math.round(Math.min(Math.max((width * high) / wide, width * 0.5), width * 1.3))
  const scale = Math.min(width / wide, height / high)
  const left = (width - wide * scale) / 2
  const top = (height - high * scale) / 2
  return {
    height, metresPerUnit: METRES_PER_DEGREE / scale,
    at: ([lon, lat]) => [round(left + (lon - box.west) * shrink * scale), round(top + (box.north - lat) * scale)],
  }
}

const round = (value: number): number => Math.round(value * 10) / 10

/** A length of 1, 2 or 5 with noughts that is no longer than `most` units. */
export function scaleBar(metresPerUnit: number, most: number): { metres: number; units: number } {
  const longest = metresPerUnit * most
  const power = 10 ** Math.floor(Math.log10(longest))
  const metres = [5, 2, 1].map((n) => n * power).find((n) => n <= longest) ?? power
  return { metres, units: round(metres / metresPerUnit) }
}

/** All shapes as one path; points as small squares. */
export function path(shapes: Shapes, at: View['at']): string {
  const parts: string[] = []
  const line = (ring: unknown, close: boolean): void => {
    if (!Array.isArray(ring)) return
    const corners = ring.filter(isPosition).map(at)
    if (corners.length > 0) parts.push(`M${corners.map(([x, y]) => `${x} ${y}`).join('L')}${close ? 'Z' : ''}`)
  }
  const draw = (g: Geometry): void => {
    const c = g.coordinates as unknown[]
    if (g.geometries !== undefined) g.geometries.forEach(draw)
    else if (g.type === 'Polygon') c.forEach((ring) => line(ring, true))
    else if (g.type === 'MultiPolygon') c.forEach((polygon) => (polygon as unknown[]).forEach((ring) => line(ring, true)))
    else if (g.type === 'LineString') line(c, false)
    else if (g.type === 'MultiLineString') c.forEach((l) => line(l, false))
    else walk(c, (p) => { const [x, y] = at(p); parts.push(`M${x - 2} ${y - 2}h4v4h-4z`) })
  }
  geometries(shapes).forEach(draw)
  return parts.join('')
}
