import { describe, expect, it } from 'vitest'
import { APART, RISING, apart, rising, roundUp } from './ramp'

/** Relative luminance (WCAG 2.2). */
function light(colour: string): number {
  const part = (i: number): number => {
    const c = parseInt(colour.slice(i, i + 2), 16) / 255
    return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4
  }
  return 0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
}

describe('ramps', () => {
  it('get darker step by step, so that they read without colour', () => {
    for (let i = 1; i < RISING.length; i++) expect(light(RISING[i]!)).toBeLessThan(light(RISING[i - 1]!))
    const middle = (APART.length - 1) / 2
    for (let i = 0; i < middle; i++) {
      expect(light(APART[i]!)).toBeLessThan(light(APART[i + 1]!))
      expect(light(APART[APART.length - 1 - i]!)).toBeLessThan(light(APART[APART.length - 2 - i]!))
    }
  })
  it('end where they are told to', () => {
    expect(rising(0.5)[0]![0]).toBe(0)
    expect(rising(0.5).at(-1)![0]).toBe(0.5)
    expect(apart(0.1)[0]![0]).toBe(-0.1)
    expect(apart(0.1)[3]![0]).toBe(0)
  })
  it('round up to a figure one can read', () => {
    expect([0.0007, 0.03, 0.5, 0.51, 0, NaN, 7, 1_200].map(roundUp)).toEqual([0.001, 0.05, 0.5, 1, 1, 1, 10, 2_000])
  })
})
