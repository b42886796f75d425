// Colours of surfaces: our own sequences, told apart by lightness alone, so that they read without colour too.
// Straw to deep blue for shares; brown over paper to blue for differences.

export const RISING = ['#f5efd9', '#d9dfb6', '#a8c9a4', '#6aa89b', '#357f88', '#1a5070', '#10264a'] as const
export const APART = ['#6b3a0a', '#b0722c', '#e3c493', '#f4f1e8', '#a9cad6', '#4688a8', '#123f5f'] as const

/** The least round number at or above `most`, so that a legend ends in a figure one can read. */
export function roundUp(most: number): number {
  if (!(most > 0)) return 1
  for (const step of [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1]) if (most <= step) return step
  const power = 10 ** Math.floor(Math.log10(most))
  const head = most / power
  return (head <= 1 ? 1 : head <= 2 ? 2 : head <= 5 ? 5 : 10) * power
}

/** Value and colour of each step of a rising sequence from 0 to `most`. */
export function rising(most: number): [number, string][] {
  return RISING.map((colour, i) => [(most * i) / (RISING.length - 1), colour])
}

/** The same with steps that widen upwards. */
export function squared(most: number): [number, string][] {
  return RISING.map((colour, i) => [most * (i / (RISING.length - 1)) ** 2, colour])
}

/** The same for differences, from -most to most. */
export function apart(most: number): [number, string][] {
  return APART.map((colour, i) => [most * ((2 * i) / (APART.length - 1) - 1), colour])
}
