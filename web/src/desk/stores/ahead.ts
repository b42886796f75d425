// The question behind a forecast of supplies, from what stands in the form; and which weeks of the answer say something.

import type { FromLot, SupplyForecast, SupplyOrder, SupplyWeek } from '../../lib/api/types'

export interface Terms { weeks: string; lead: string; spoilage: string; safety: string; batch: string; reuse: string; crews: boolean }
export type Fault = 'weeks' | 'lead' | 'spoilage' | 'safety' | 'batch' | 'reuse'

export const USUAL: Terms = { weeks: '26', lead: '', spoilage: '', safety: '', batch: '1', reuse: '', crews: false }

const ITEMS = ['lure', 'insert', 'killing-agent', 'body', 'pole']
const figure = (text: string): number => (text.trim() === '' ? 0 : Number(text.trim().replace(',', '.')))
const share = (text: string): string => String(Number((figure(text) / 100).toFixed(6)))

/** "30" or "30,lure=45": whole days up to `most`, for all items or some, none twice. */
export function isPerItem(text: string, most: number): boolean {
  const told = new Set<string>()
  return text.split(',').every((part) => {
    const words = part.trim().split('=')
    if (part.trim() === '') return text.trim() === ''
    const [item, days] = words.length === 1 ? ['', words[0]] : [words[0]?.trim() ?? '', words[1]]
    const fresh = !told.has(item)
    told.add(item)
    return words.length <= 2 && fresh && (item === '' || ITEMS.includes(item)) && /^\d{1,3}$/.test((days ?? '').trim()) && Number(days) <= most
  })
}

/** What can't be asked, field by field. */
export function faults(terms: Terms): Fault[] {
  const whole = (text: string): boolean => /^\d{1,3}$/.test(text.trim()) && Number(text) >= 1 && Number(text) <= 104
  const within = (text: string, most: number): boolean => figure(text) >= 0 && figure(text) <= most
  const all: [Fault, boolean][] = [
    ['weeks', whole(terms.weeks)], ['lead', isPerItem(terms.lead, 730)], ['spoilage', within(terms.spoilage, 90)],
    ['safety', isPerItem(terms.safety, 365)], ['batch', whole(terms.batch)], ['reuse', within(terms.reuse, 100)],
  ]
  return all.filter(([, good]) => !good).map(([field]) => field)
}

/** The path of the question; terms without faults only. */
export function pathOf(terms: Terms): string {
  const asked = new URLSearchParams({ weeks: terms.weeks.trim(), batch_weeks: terms.batch.trim() })
  if (terms.lead.trim() !== '') asked.set('lead_days', terms.lead.trim())
  if (terms.safety.trim() !== '') asked.set('safety_days', terms.safety.trim())
  if (figure(terms.spoilage) > 0) asked.set('spoilage', share(terms.spoilage))
  if (figure(terms.reuse) > 0) asked.set('reuse', share(terms.reuse))
  if (terms.crews) asked.set('with_crews', 'true')
  return `/supplies/forecast?${asked}`
}

/** Weeks in which something is needed, comes back or expires. */
export const busy = (weeks: readonly SupplyWeek[]): SupplyWeek[] => weeks.filter((w) => w.need > 0 || w.back > 0 || w.expired.length > 0)

export interface OrderRow { of: SupplyForecast; order: SupplyOrder }

/** All orders, the first to be sent first. */
export function orders(items: readonly SupplyForecast[]): OrderRow[] {
  const when = (row: OrderRow): string => row.order.order_by ?? row.order.arrive_by
  return items.flatMap((of) => of.orders.map((order) => ({ of, order }))).sort((a, b) => when(a).localeCompare(when(b)))
}

export const lots = (from: readonly FromLot[], takenDown: string): string => from.map((f) => `${f.lot ?? takenDown} × ${f.pieces}`).join(', ')
