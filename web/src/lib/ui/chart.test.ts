import { describe, expect, it } from 'vitest'
import { dayNumber, dayOf, monthTicks, ticks } from './chart'

describe('ticks', () => {
  it('are round and within', () => {
    expect(ticks(0, 1, 5)).toHaveLength(6)
    expect(ticks(0, 0.83, 5).at(-1)).toBeCloseTo(0.8)
    expect(ticks(3, 3)).toEqual([3])
  })
  it('of months are first days', () => {
    const all = monthTicks(dayNumber('2026-04-20'), dayNumber('2026-08-30')).map(dayOf)
    expect(all).toEqual(['2026-05-01', '2026-06-01', '2026-07-01', '2026-08-01'])
    expect(monthTicks(dayNumber('2026-04-05'), dayNumber('2026-04-20')).length).toBeGreaterThan(1)
  })
})
