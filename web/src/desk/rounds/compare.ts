// A proposal against the rounds that hold: what changes for whom, stop by stop.

import type { Day, RoundsView } from '../../lib/api/types'

export interface Turn { crew: string; date: Day; arrive: string; order: number }
export interface Changes {
  moved: { trap: string; place: string; was: Turn; becomes: Turn }[]
  added: { trap: string; place: string; becomes: Turn }[]
  dropped: { trap: string; place: string; was: Turn; why?: string }[]
  /** Stops of the same crew on the same day, in the same order among those that stay. */
  kept: number
}

/** Another time of the same crew on the same day is a move only if it is off by more than this. Design choice. */
const SAME_MINUTES = 30

export const minutes = (time: string): number => Number(time.slice(0, 2)) * 60 + Number(time.slice(3, 5))

function turns(view: RoundsView): Map<string, Turn & { place: string; trap: string }> {
  const all = new Map<string, Turn & { place: string; trap: string }>()
  for (const round of view.rounds) {
    round.stops.forEach((stop, i) => all.set(`${stop.trap} ${stop.place}`, { trap: stop.trap, place: stop.place, crew: round.crew, date: round.date, arrive: stop.arrive, order: i + 1 }))
  }
  return all
}

const byTurn = (a: Turn, b: Turn): number => a.date.localeCompare(b.date) || a.crew.localeCompare(b.crew) || a.order - b.order

export function compare(holds: RoundsView, proposed: RoundsView): Changes {
  const [before, after] = [turns(holds), turns(proposed)]
  const why = new Map(proposed.left_out.map((left) => [`${left.trap} ${left.place}`, left.reason]))
  const changes: Changes = { moved: [], added: [], dropped: [], kept: 0 }
  for (const [key, now] of after) {
    const then = before.get(key)
    const { trap, place, ...becomes } = now
    if (then === undefined) changes.added.push({ trap, place, becomes })
    else if (then.crew === now.crew && then.date === now.date && Math.abs(minutes(then.arrive) - minutes(now.arrive)) <= SAME_MINUTES) changes.kept += 1
    else {
      const { trap: _, place: __, ...was } = then
      changes.moved.push({ trap, place, was, becomes })
    }
  }
  for (const [key, then] of before) {
    if (after.has(key)) continue
    const { trap, place, ...was } = then
    const reason = why.get(key)
    changes.dropped.push({ trap, place, was, ...(reason === undefined ? {} : { why: reason }) })
  }
  changes.moved.sort((a, b) => byTurn(a.becomes, b.becomes))
  changes.added.sort((a, b) => byTurn(a.becomes, b.becomes))
  changes.dropped.sort((a, b) => byTurn(a.was, b.was))
  return changes
}
