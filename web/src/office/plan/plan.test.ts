import { describe, expect, it } from 'vitest'
import type { Spot } from '../../lib/api/types'
import { NO_EDITS, add, apply, count, move, nudge, remove } from './edits'
import { Latest } from './latest'

const places: Spot[] = [{ label: 'P-1', lat: 48, lon: 9, kept: true }, { label: 'P-2', lat: 48.1, lon: 9.1 }]

describe('edits of a draft', () => {
  it('move, add and take out without touching the draft', () => {
    let e = move(NO_EDITS, 'P-1', { lat: 48.2, lon: 9.2 })
    const added = add(e, { lat: 48.3, lon: 9.3 }, new Set(['P-1', 'P-2', 'new-1']))
    e = remove(added.edits, 'P-2')
    expect(added.label).toBe('new-2')
    expect(count(e)).toBe(3)
    expect(apply(places, e)).toEqual([{ label: 'P-1', lat: 48.2, lon: 9.2, kept: false, changed: true }, { label: 'new-2', lat: 48.3, lon: 9.3, changed: true }])
    expect(count(NO_EDITS)).toBe(0)
  })
  it('a trap that was added and taken out again is no change', () => {
    const { edits, label } = add(NO_EDITS, { lat: 48, lon: 9 }, new Set())
    expect(count(remove(move(edits, label, { lat: 48.1, lon: 9 }), label))).toBe(0)
  })
  it('a trap that was moved and then taken out is one change', () => {
    expect(count(remove(move(NO_EDITS, 'P-1', { lat: 48.2, lon: 9.2 }), 'P-1'))).toBe(1)
  })
  it('a nudge is as long as it says', () => {
    const at = nudge({ lat: 48, lon: 9 }, 10, 10)
    // One degree of latitude is 111 195 m on the mean sphere; of longitude, cos 48° times that.
    expect((at.lat - 48) * 111_195).toBeCloseTo(10, 2)
    expect((at.lon - 9) * 111_195 * Math.cos((48 * Math.PI) / 180)).toBeCloseTo(10, 2)
  })
})

describe('one question at a time', () => {
  it('leaves out all but the latest of those that waited', async () => {
    const asked: number[] = []
    const told: number[] = []
    const open: (() => void)[] = []
    const latest = new Latest<number, number>(async (q) => {
      asked.push(q)
      await new Promise<void>((done) => open.push(done))
      return q * 10
    }, (a) => told.push(a), () => {})
    for (const q of [1, 2, 3, 4]) latest.put(q)
    expect(asked).toEqual([1])
    open.shift()?.()
    await new Promise((done) => setTimeout(done))
    expect(asked).toEqual([1, 4])
    open.shift()?.()
    await new Promise((done) => setTimeout(done))
    expect(told).toEqual([10, 40])
  })
  it('what was forgotten is not told, and a failure does not stop it', async () => {
    const told: number[] = []
    const failed: unknown[] = []
    const latest = new Latest<number, number>(async (q) => {
      await Promise.resolve()
      if (q === 2) throw new Error('no')
      return q
    }, (a) => told.push(a), (e) => failed.push(e))
    latest.put(1)
    latest.forget()
    await new Promise((done) => setTimeout(done))
    latest.put(2)
    await new Promise((done) => setTimeout(done))
    latest.put(3)
    await new Promise((done) => setTimeout(done))
    expect(told).toEqual([3])
    expect(failed).toHaveLength(1)
  })
})
