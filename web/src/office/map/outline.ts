// A polygon somebody draws: corners as text and back, and whether the outline is sound.

export type Corner = [lon: number, lat: number]

/** One corner a line, latitude first. A line that is none is given back by its number, from 1. */
export function readCorners(text: string): { corners: Corner[]; bad?: number } {
  const corners: Corner[] = []
  const lines = text.split('\n')
  for (const [i, line] of lines.entries()) {
    if (line.trim() === '') continue
    const parts = line.trim().split(/[\s,;]+/).map((part) => (part === '' ? NaN : Number(part)))
    const [lat, lon] = parts
    if (parts.length !== 2 || lat === undefined || lon === undefined || !Number.isFinite(lat) || !Number.isFinite(lon) || Math.abs(lat) > 90 || Math.abs(lon) > 180) return { corners, bad: i + 1 }
    corners.push([lon, lat])
  }
  return { corners }
}

export function writeCorners(corners: Corner[]): string {
  return corners.map(([lon, lat]) => `${lat.toFixed(6)}, ${lon.toFixed(6)}`).join('\n')
}

const side = (a: Corner, b: Corner, c: Corner): number => Math.sign((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))

/** True where two sides that are not neighbours cross. */
export function crosses(corners: Corner[]): boolean {
  const n = corners.length
  for (let i = 0; i < n; i++) {
    for (let j = i + 2; j < n; j++) {
      if (i === 0 && j === n - 1) continue
      const [a, b, c, d] = [corners[i], corners[i + 1], corners[j], corners[(j + 1) % n]]
      if (a === undefined || b === undefined || c === undefined || d === undefined) continue
      if (side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0) return true
    }
  }
  return false
}

/** Square metres on a sphere of the mean radius 6 371 008.8 m (IUGG): good to half a per cent, for a word on the screen. */
export function area(corners: Corner[]): number {
  const R = 6_371_008.8
  const rad = Math.PI / 180
  let sum = 0
  for (const [i, a] of corners.entries()) {
    const b = corners[(i + 1) % corners.length]
    if (b !== undefined) sum += (b[0] - a[0]) * rad * (2 + Math.sin(a[1] * rad) + Math.sin(b[1] * rad))
  }
  return Math.abs((sum * R * R) / 2)
}

/** Counter-clockwise and closed, as RFC 7946 wants an outer ring. */
export function ring(corners: Corner[]): Corner[] {
  let turn = 0
  for (const [i, a] of corners.entries()) {
    const b = corners[(i + 1) % corners.length]
    if (b !== undefined) turn += (b[0] - a[0]) * (b[1] + a[1])
  }
  const round = turn > 0 ? [...corners].reverse() : [...corners]
  return round[0] === undefined ? [] : [...round, round[0]]
}
