// A property of a thing on the map, as the person reads it.

import { w } from '../../lib/i18n'
import { centimetres, chance, day, number, points } from '../../lib/units'

export function saying(name: string, value: unknown): string {
  const t = w().office.map
  if (value === null || value === undefined || value === '') return ''
  if (name === 'level' && typeof value === 'string' && value in t.states) return t.states[value as keyof typeof t.states]
  if (name === 'rule') return value === 'forbidden' ? t.forbidden : t.usable
  if (typeof value === 'boolean') return value ? w().common.yes : w().common.no
  if (typeof value === 'number') {
    if (name === 's' || name === 's_low' || name === 's_high') return chance(value)
    if (name === 'costs') return points(value)
    if (name === 'dbh_cm') return centimetres(value)
    if (name === 'weight') return number(value, value < 0.01 ? 6 : 3)
    return number(value, Number.isInteger(value) ? 0 : 2)
  }
  if (Array.isArray(value)) return value.join(', ')
  if (typeof value === 'string') {
    if (/^\d{4}-\d\d-\d\d$/.test(value)) return day(value)
    // Tiles and rendered shapes carry lists as JSON text.
    if (value.startsWith('["')) try { return (JSON.parse(value) as string[]).join(', ') } catch { return value }
    return value
  }
  return JSON.stringify(value)
}

export function position(at: [number, number]): string {
  return `${at[1].toFixed(5)}, ${at[0].toFixed(5)}`
}
