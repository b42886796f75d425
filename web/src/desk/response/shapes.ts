// A response as the server hands it on: the chain's own shapes (crates/chain/src/response). What is null or absent is not known.

import type { At, Day, Moment, Uuid } from '../../lib/api/types'
import type { Geometry, Shapes } from '../parts/minimap'

export type May<T> = T | null | undefined
export type State = 'open' | 'closed' | 'not begun'
export type End = 'released' | 'no-find' | 'handed-over' | 'given-up'
export const ENDS: readonly End[] = ['released', 'no-find', 'handed-over', 'given-up']

/** GET /api/1/responses -> Responses */
export interface Responses { responses: ResponseRow[]; waiting: { find: string; target: string }[]; protocols: ProtocolRow[]; notes: string[] }
export interface ResponseRow {
  find: string; target: string; common_name: string; opened: Moment; state: 'open' | 'closed'; closed?: { date: Day; end: End }
  area_km2?: number; area_version?: number; steps_late: number; steps_due: number; reports: number
}
export interface ProtocolRow { target: string; common_name: string; adopted: boolean; shipped: boolean; rules: number; to_tell: number; caution: string; warnings: string[] }

export interface Find {
  label: string; target: string; position?: May<At>; trap?: May<string>; tree?: May<string>; taken: Day; confirmed: Moment; by: string
  method?: May<string>; count: number; life_stage?: May<string>; mated?: May<boolean>
}
export interface Met { rule: string; sets_off: string; finds: string[]; why: string }
export interface Proposed { met: Met[]; nearly: Met[]; epicentres: string[]; commercial_host_m: May<number>[]; notes: string[] }

export type Standing = 'done' | 'done-late' | 'due' | 'late' | 'waits'
export interface Step { id: string; who: string; what: string; order: number; due: Moment; public: boolean; standing: Standing; done?: May<Moment>; by?: May<string>; note?: May<string> }
export interface Checklist { confirmed?: May<Moment>; steps: Step[]; may_be_public: boolean; notes: string[] }

export interface Region { probability: number; cells: string[]; hectares: number; trees: number }
export interface OriginCell { cell: string; corners: At[]; probability: number; in50: boolean; in95: boolean }
export interface SearchTree { host: string; species: string; position: At; probability: number; cumulative: number }
export interface Origin {
  traps: number; with_catch: number; insects: number; trees: number; within_m: number; draws: number; effective_draws: number
  region50: Region; region95: Region; cells: OriginCell[]; search: SearchTree[]
  numbers: { origins: number; probability: number }[]
  clusters: { flyers: number; hectares95: number; near: string; position: At; traps: string[] }[]
  notes: string[]
}

export interface Clock {
  term: string; needed: number; last_find: Day; passed: number; remaining: number; held_days: number; lost_days: number; done_on?: May<Day>
  forecast?: May<{ earliest: Day; median: Day; latest: Day; years: number }>
  planned_traps: number
  silence?: May<{ trap_days: number; none_poisson: number; none_clumped?: May<number>; sighting_p?: May<number> }>
  mean_per_trap_day: number; notes: string[]
}
export interface Status {
  category: string; words: string; caution: string; evidence: string[]
  reliability?: May<{ identified_by: string; technique: string; place_and_date: string; published: string }>
  statement?: May<string>
}
export interface AreaView { version: number; versions: number; km2: number; from: Day; to?: May<Day>; authority: string; reason: string; text: string; steps: string[]; geometry: Geometry }
export interface DelimitingView { method: string; from: Day; to?: May<Day>; traps: number; hanging: number; looks: number; hours: number; reason: string }
export interface Lacking { part: string; why: string }

/** GET /api/1/responses/{find}?station= -> Whole */
export interface Whole {
  find: string; target: string; common_name: string; state: State; finds: Find[]; proposed?: May<Proposed>; checklist?: May<Checklist>; origin?: May<Origin>
  clock?: May<Clock>; status: Status; area?: May<AreaView>; delimiting?: May<DelimitingView>
  reports: { version: number; date: Day; preliminary: boolean; to: string; missing: string[]; changes?: May<string> }[]
  lacking: Lacking[]; notes: string[]
}

export interface Near { label: string; distance_m: number }
export interface DoNotBait { radius_m: number; traps: Near[]; places: Near[] }
/** GET /api/1/responses/{find}/area -> AreaProposal ; POST it with its hash, or a geometry */
export interface AreaProposal {
  version: number
  within: { km2: number; hosts: number; species: Record<string, number>; parcels: number; traps: number }
  added: { to_version?: May<number>; km2: number; hosts: number; parcels: string[]; finds: string[] }
  reason: string; steps: string[]; text: string; geojson: Shapes; do_not_bait?: May<DoNotBait>; notes: string[]; hash: string
}

export interface TrapSpot { place: string; position: At; ring: number; adds?: May<number>; moved_m?: May<number> }
export interface LookSpot { label: string; trees: string[]; position: At; ring: number; hours: number; adds?: May<number> }
export interface Worth { share: number; whole: number; whole_by_trial: number; nothing_outside: number; standard_error: number; worlds: number }
export interface Layout { method: Method; traps: TrapSpot[]; looks: LookSpot[]; hours: number; worth?: May<Worth>; bound?: May<number>; gap?: May<number> }
export type Method = 'rings' | 'optimised'
export interface Delimiting {
  find: string; on: Day; duration: string; versions: Day[]
  rings: { ring: number; name: string; wanted: number; placed: number; look_every_days?: May<number>; trees: number }[]
  unplaced: { position: At; ring: number; why: string }[]
  by_rings: Layout; optimised?: May<Layout>; hanging: number; bounded_already?: May<number>; notes: string[]
}
/** POST /api/1/responses/{find}/surveys -> {draft} ; GET .../surveys/{draft} ; POST .../adopt {method, from, to, reason} -> Receipt */
export interface SurveyAsk { traps?: number; hours?: number; heavy?: string[]; seed?: number }
export interface SurveyDraft { draft: Uuid; state: 'working' | 'ready' | 'failed'; survey?: Delimiting; why?: string }

export interface ReportItem { item: string; what: string; text: string }
/** POST /api/1/responses/{find}/report/draft {items} -> ReportDraft */
export interface ReportDraft { version: number; items: ReportItem[]; missing: string[]; changed: string[]; status: Status }
/** GET /api/1/responses/{find}/reports -> {reports: Issued[]} */
export interface Issued { version: number; date: Day; preliminary: boolean; to: string; statement?: string; changes?: string; items: ReportItem[]; missing: string[] }

/** Bodies of entries, as the journal keeps them. */
export interface AreaDrawn { find: string; version: number; from: Day; to?: Day; authority: string; reason: string; km2: number; finds: string[] }
export interface AreaLifted { find: string; version: number; from: Day; authority: string; reason: string }
export interface DelimitingAdopted { find: string; method: string; from: Day; to?: Day; traps: Spot[]; looks?: Spot[]; reason: string }
export interface Spot { label: string; position: At; ring?: number; hours?: number }
