import { describe, expect, it } from 'vitest'
import type { SupplyForecast, SupplyOrder, SupplyWeek } from '../../lib/api/types'
import { busy, faults, isPerItem, lots, orders, pathOf, USUAL } from './ahead'

const order = (pieces: number, arrive_by: string, order_by?: string): SupplyOrder => ({ pieces, arrive_by, late: false, missing_before: 0, covers: [arrive_by, arrive_by], ...(order_by === undefined ? {} : { order_by }) })
const item = (word: string, all: SupplyOrder[]): SupplyForecast => ({ item: word, targets: [], in_store: 0, expired_already: [], need: 0, lost: 0, short: 0, weeks: [], orders: all })
const week: SupplyWeek = { from: '2026-06-01', to: '2026-06-07', need: 0, taken: 0, used: [], short: 0, back: 0, expired: [], left: 4 }

describe('the question for the weeks ahead', () => {
  it('leaves out what nobody wrote', () => {
    expect(faults(USUAL)).toEqual([])
    expect(pathOf(USUAL)).toBe('/supplies/forecast?weeks=26&batch_weeks=1')
  })
  it('writes shares of a hundred as shares of one, and keeps figures by item', () => {
    const asked = new URLSearchParams(pathOf({ ...USUAL, lead: ' 30,lure=45 ', spoilage: '7,5', safety: '7', reuse: '80', crews: true }).split('?')[1])
    expect(Object.fromEntries(asked)).toEqual({ weeks: '26', batch_weeks: '1', lead_days: '30,lure=45', spoilage: '0.075', safety_days: '7', reuse: '0.8', with_crews: 'true' })
  })
  it('names every field that can\'t be asked', () => {
    expect(faults({ weeks: '0', lead: 'soon', spoilage: '91', safety: '7.5', batch: '105', reuse: 'all', crews: false })).toEqual(['weeks', 'lead', 'spoilage', 'safety', 'batch', 'reuse'])
    expect(['30', '', 'lure=5', '30, body=9'].map((t) => isPerItem(t, 730))).toEqual([true, true, true, true])
    expect(['30,', '30,40', 'pie=3', 'lure=', 'lure=1=2', '731', '-1'].map((t) => isPerItem(t, 730))).toEqual(Array(7).fill(false))
  })
})

describe('the answer', () => {
  it('shows the weeks in which something happens', () => {
    const three = [{ ...week }, { ...week, need: 2 }, { ...week, expired: [{ lot: 'L', pieces: 1 }] }]
    expect(busy(three)).toEqual(three.slice(1))
  })
  it('lists orders by the day to send them, or the day they must be there', () => {
    const rows = orders([item('lure', [order(1, '2026-07-01', '2026-06-01'), order(2, '2026-08-01', '2026-07-01')]), item('body', [order(3, '2026-06-20')])])
    expect(rows.map((r) => r.order.pieces)).toEqual([1, 3, 2])
    expect(lots([{ lot: 'L-1', pieces: 3 }, { pieces: 2 }], 'taken down')).toBe('L-1 × 3, taken down × 2')
  })
})
