import { describe, expect, it } from 'vitest'
import { area, crosses, readCorners, ring, writeCorners, type Corner } from './outline'

const square: Corner[] = [[9, 48], [9.01, 48], [9.01, 48.01], [9, 48.01]]

describe('a drawn outline', () => {
  it('goes to text and back', () => {
    expect(readCorners(writeCorners(square)).corners).toEqual(square)
    expect(readCorners('48.5; 9.25\n\n48.6 9.3')).toEqual({ corners: [[9.25, 48.5], [9.3, 48.6]] })
  })
  it('names the line that is no position', () => {
    expect(readCorners('48, 9\nabc').bad).toBe(2)
    expect(readCorners('98, 9').bad).toBe(1)
    expect(readCorners('48, 9, 7').bad).toBe(1)
    expect(readCorners('48,').bad).toBe(1)
  })
  it('is crossed when two corners are swapped', () => {
    expect(crosses(square)).toBe(false)
    expect(crosses([square[0]!, square[2]!, square[1]!, square[3]!])).toBe(true)
    expect(crosses(square.slice(0, 3))).toBe(false)
  })
  it('has its area, whichever way round', () => {
    // 0.01 degrees each way at 48 degrees: 1 111.95 m by 744.04 m (R = 6 371 008.8 m, cos 48.005°).
    expect(area(square) / 827_300).toBeCloseTo(1, 2)
    expect(area([...square].reverse())).toBeCloseTo(area(square), 3)
  })
  it('is written closed and counter-clockwise', () => {
    for (const corners of [square, [...square].reverse()]) {
      const r = ring(corners)
      expect(r[0]).toEqual(r.at(-1))
      const twice = r.slice(0, -1).reduce((sum, a, i) => sum + a[0] * r[i + 1]![1] - r[i + 1]![0] * a[1], 0)
      expect(twice).toBeGreaterThan(0)
    }
  })
})
