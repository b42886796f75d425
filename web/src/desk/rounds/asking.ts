// The question behind a proposal, from what stands in the form.

import type { At, Day, RoundsAsk } from '../../lib/api/types'

export interface ClosedRoad { place: string; radius: string }
export interface Asking { from: Day; days: string; without: string[]; noWork: string; fromNow: boolean; at: string; closed: ClosedRoad[]; heat: string }
export type Fault = { field: string; kind: 'days' | 'day' | 'at' | 'place' | 'radius' | 'from' | 'heat'; text: string }

export const isDay = (text: string): boolean => /^\d{4}-\d{2}-\d{2}$/.test(text) && !Number.isNaN(Date.parse(text))

/** "34.1, -100.2" as a position. */
export function readPosition(text: string): At | undefined {
  const parts = /^\s*(-?\d+(?:\.\d+)?)\s*[,;\s]\s*(-?\d+(?:\.\d+)?)\s*$/.exec(text)
  if (parts === null) return undefined
  const [lat, lon] = [Number(parts[1]), Number(parts[2])]
  return Math.abs(lat) <= 90 && Math.abs(lon) <= 180 ? { lat, lon } : undefined
}

/** `where`: positions of traps and places by label; `metres`: of one unit in which radii are typed; `celsius`: of what is typed as heat. */
export function readAsk(asking: Asking, where: ReadonlyMap<string, At>, metres: number, celsius: (typed: number) => number): { ask: RoundsAsk; faults: Fault[] } {
  const faults: Fault[] = []
  const days = Number(asking.days)
  if (!isDay(asking.from)) faults.push({ field: 'from', kind: 'from', text: asking.from })
  if (!Number.isInteger(days) || days < 1 || days > 28) faults.push({ field: 'days', kind: 'days', text: asking.days })
  const off = asking.noWork.split(/[\s,;]+/).filter((d) => d !== '')
  const bad = off.find((d) => !isDay(d))
  if (bad !== undefined) faults.push({ field: 'no_work', kind: 'day', text: bad })
  if (asking.fromNow && !/^([01]?\d|2[0-3]):[0-5]\d$/.test(asking.at)) faults.push({ field: 'at', kind: 'at', text: asking.at })
  const heat = asking.heat.trim().replace(',', '.')
  if (heat !== '' && !Number.isFinite(Number(heat))) faults.push({ field: 'heat_limit_c', kind: 'heat', text: asking.heat })
  const closed: string[] = []
  asking.closed.forEach((road, i) => {
    const place = road.place.trim()
    const radius = road.radius.trim().replace(',', '.')
    if (place === '') return
    const at = readPosition(place) ?? where.get(place.toLowerCase())
    // A label without a radius is a road's.
    if (radius === '' && at === undefined) closed.push(place)
    else if (at === undefined) faults.push({ field: `closed-${i}`, kind: 'place', text: place })
    else if (!(Number(radius) > 0)) faults.push({ field: `radius-${i}`, kind: 'radius', text: radius })
    else closed.push(`${at.lat},${at.lon},${Math.round(Number(radius) * metres)}`)
  })
  return {
    faults,
    ask: {
      from: asking.from,
      // The days that are left are the server's to know.
      ...(asking.fromNow ? { at: asking.at.padStart(5, '0') } : { days }),
      ...(asking.without.length === 0 ? {} : { without: asking.without.map((crew) => ({ crew })) }),
      ...(off.length === 0 ? {} : { no_work: off }),
      ...(closed.length === 0 ? {} : { closed }),
      ...(heat === '' ? {} : { heat_limit_c: celsius(Number(heat)) }),
    },
  }
}
