// Where a chart's figures stand: ticks that are round, days as numbers.

/** Round steps from `low` to `high`, about `wanted` of them. */
export function ticks(low: number, high: number, wanted = 5): number[] {
  if (!(high > low)) return [low]
  const rough = (high - low) / wanted
  const power = 10 ** Math.floor(Math.log10(rough))
  const step = [1, 2, 5, 10].map((k) => k * power).find((k) => k >= rough) ?? 10 * power
  const all: number[] = []
  for (let v = Math.ceil(low / step) * step; v <= high + step * 1e-9; v += step) all.push(Math.abs(v) < step * 1e-9 ? 0 : v)
  return all
}

const DAY_MS = 86_400_000
export const dayNumber = (date: string): number => Date.parse(`${date}T00:00:00Z`) / DAY_MS
export const dayOf = (n: number): string => new Date(Math.round(n) * DAY_MS).toISOString().slice(0, 10)

/** First days of months between two days; every second, third ... month where they would crowd. */
export function monthTicks(low: number, high: number, most = 8): number[] {
  const all: number[] = []
  const start = new Date(low * DAY_MS)
  for (let m = 0; ; m++) {
    const n = Date.UTC(start.getUTCFullYear(), start.getUTCMonth() + m, 1) / DAY_MS
    if (n > high) break
    if (n >= low) all.push(n)
  }
  const every = Math.ceil(all.length / most)
  if (all.length >= 2) return all.filter((_, i) => i % every === 0)
  return ticks(low, high, 4).map(Math.round).filter((n) => n >= low && n <= high)
}
