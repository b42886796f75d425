// The journal's own shapes that the server hands on as they are: the figures of a month, and where a lot went.

import type { Day, Uuid } from '../../lib/api/types'

export interface Count { what: string; count: number }
export interface Month {
  from: Day; to: Day
  traps: { out_at_start: number; hung: number; taken_down: number; written_off: number; lost: Count[]; out_at_end: number; relocated: number }
  targets: { target: string; required?: number | null; out_at_start: number; out_at_end: number }[]
  stops: { due: number; on_time: number; late: number; excused: number; missed: number; missed_why: Count[]; visits: number; looked: number; hours: number; timed: number }
  specimens: { taken: number; determined: number; screened: number; pending: { specimen: string; taken: Day; age_days: number }[] }
  planted: { planted: number; recovered: number; missed: number; lost: number }
  trees: { inspections: number; trees: number; branch_samples: number; branches_positive: number; branches_negative: number; hours: number }
  supplies: { lot: string; received: number; issued: number; disposed: number; used: number; on_hand: number }[]
  conflicts_open: number
  differences: string[]
}

export type SupplyMove =
  | { is: 'received'; item: string; target?: string; quantity: number; made?: Day; expires?: Day; storage?: string; storage_c?: number }
  | { is: 'stored'; storage: string; storage_c?: number }
  | { is: 'issued'; quantity: number; to: string }
  | { is: 'returned'; quantity: number; from: string }
  | { is: 'disposed'; quantity: number; why: string }
  | { is: 'counted'; quantity: number; storage: string }

export interface LotTrace {
  lot: string
  stock?: {
    lot: string; item: string; target?: string | null; expires?: Day | null; storage?: string | null
    received: number; in_store: number; issued: number; disposed: number; counted?: [number, number] | null
  } | null
  moves: { day: Day; person: string; what: SupplyMove; entry: Uuid }[]
  visits: { day: Day; trap: string; put_into: string[]; entry: Uuid }[]
  carried: { trap: string; part: string; from: Day; to?: Day | null }[]
  traps_now: string[]
  window?: [Day, Day | null] | null
}
