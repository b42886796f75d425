// Lengths, temperatures and numbers as the person reads them. The data stay metric; only what is shown is converted.
// 1 ft = 0.3048 m, 1 mi = 1609.344 m, 1 in = 2.54 cm, 1 acre = 4046.8564224 m2 exactly (international foot; NIST SP 811, appendix B).

import { settings } from './settings.svelte'

const locale = (): string => (settings.language === 'es' ? 'es-US' : settings.units === 'us' ? 'en-US' : 'en-GB')

export function number(value: number, digits = 0): string {
  return new Intl.NumberFormat(locale(), { maximumFractionDigits: digits, minimumFractionDigits: digits }).format(value)
}

export function length(metres: number): string {
  if (settings.units === 'us') {
    const feet = metres / 0.3048
    return feet < 1_000 ? `${number(feet)} ft` : `${number(metres / 1_609.344, feet < 52_800 ? 1 : 0)} mi`
  }
  return metres < 1_000 ? `${number(metres)} m` : `${number(metres / 1_000, metres < 10_000 ? 1 : 0)} km`
}

/** An area: hectares or acres up to 100 of them, then square kilometres or miles. */
export function ground(m2: number): string {
  const [small, large] = settings.units === 'us' ? [4_046.8564224, 1_609.344 ** 2] : [10_000, 1_000_000]
  const names = settings.units === 'us' ? ['acres', 'mi²'] : ['ha', 'km²']
  return Math.abs(m2) < 100 * small ? `${number(m2 / small, 1)} ${names[0]}` : `${number(m2 / large, 2)} ${names[1]}`
}

/** Trunk diameters and the like. */
export function centimetres(cm: number): string {
  return settings.units === 'us' ? `${number(cm / 2.54, 1)} in` : `${number(cm, 0)} cm`
}

export function celsius(c: number): string {
  return settings.units === 'us' ? `${number((c * 9) / 5 + 32)} °F` : `${number(c)} °C`
}

/** A probability: two digits, never rounded to certainty. */
export function chance(p: number): string {
  if (p > 0 && p < 0.001) return `< ${number(0.001, 3)}`
  if (p < 1 && p > 0.999) return `> ${number(0.999, 3)}`
  return number(p, p !== 0 && p !== 1 && (p < 0.01 || p > 0.99) ? 3 : 2)
}

/** Points of sensitivity: hundredths of a probability. */
export function points(p: number): string {
  return number(100 * p, Math.abs(p) < 0.001 ? 3 : 2)
}

export function day(date: string): string {
  const [y, m, d] = date.split('-').map(Number)
  return new Intl.DateTimeFormat(locale(), { day: 'numeric', month: 'short', year: 'numeric', timeZone: 'UTC' }).format(Date.UTC(y ?? 1970, (m ?? 1) - 1, d ?? 1))
}

export function moment(at: string): string {
  return new Intl.DateTimeFormat(locale(), { dateStyle: 'medium', timeStyle: 'short' }).format(new Date(at))
}

/** The paper that printers have where the person's units are usual: Letter with US units, else A4 (common practice, no source). */
export function paperSize(): 'letter' | 'a4' {
  return settings.units === 'us' ? 'letter' : 'a4'
}
