// Ages in plain words.

import { w } from '../../lib/i18n'
import { number } from '../../lib/units'

/** Hours as people say them: hours for the first two days, then days. */
export function age(hours: number): string {
  if (hours < 1) return w().desk.time.now
  return hours < 48 ? w().desk.time.hours(number(Math.floor(hours))) : w().desk.time.days(number(Math.floor(hours / 24)))
}

/** Whole days from one day to another. */
export function daysBetween(from: string, to: string): number {
  return Math.round((Date.parse(to) - Date.parse(from)) / 86_400_000)
}

export function minusDays(day: string, days: number): string {
  return new Date(Date.parse(day) - days * 86_400_000).toISOString().slice(0, 10)
}
