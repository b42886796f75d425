// A run of specimen numbers.

export const MOST = 500 // Design choice: some twenty sheets at once.
export type SeriesFault = 'prefix' | 'first' | 'count' | 'digits'

/** Numbers from `first`, as many as `count`, each with at least `digits` digits behind the prefix. */
export function series(prefix: string, first: string, count: string, digits: string): { labels: string[]; fault?: SeriesFault } {
  if (prefix !== prefix.trim() || /[\s,;]/.test(prefix) || prefix.length > 40) return { labels: [], fault: 'prefix' }
  if (!/^\d{1,9}$/.test(first)) return { labels: [], fault: 'first' }
  if (!/^\d{1,4}$/.test(count) || Number(count) < 1 || Number(count) > MOST) return { labels: [], fault: 'count' }
  if (!/^\d$/.test(digits) || Number(digits) < 1) return { labels: [], fault: 'digits' }
  const start = Number(first)
  return { labels: Array.from({ length: Number(count) }, (_, i) => `${prefix}${String(start + i).padStart(Number(digits), '0')}`) }
}
