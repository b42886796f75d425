// What the server says and hears, call by call. Field names are the JSON's own. Days are "2026-05-01", moments RFC 3339,
// probabilities 0 to 1, lengths metres, positions degrees (WGS 84). A key that is absent is not known.

export type Day = string
export type Moment = string
export type Uuid = string

export type Role = 'lead' | 'supervisor' | 'inspector' | 'identifier' | 'clerk' | 'partner'
export interface Band { median: number; p05: number; p95: number }
export interface At { lat: number; lon: number }

/** Every refusal: 4xx or 5xx. `where` names the field, or file row and column, that is meant. */
export interface Problem { code: string; words: string; where?: string }

// ---- sign-in -----------------------------------------------------------------------------------------------------

/** GET /api/1/me (public). Without `person` nobody is signed in; `first_run` until somebody has a password. */
export interface Me {
  first_run: boolean
  today: Day
  revision?: number
  programme?: { id: Uuid; name: string }
  person?: string
  /** The person's name from the side table, where it is written down. */
  name?: string
  roles?: Role[]
  csrf?: string
  /** Whether this origin can have passkeys, and how many the person has. */
  passkeys?: { possible: boolean; count: number }
  /** True where the page came by TLS or from this machine, so that a phone can keep it offline. */
  secure: boolean
}
/** POST /api/1/first-run (public) -> Me */
export interface FirstRun { code: string; person: string; password: string }
/** POST /api/1/sign-in (public) -> Me ; POST /api/1/sign-out -> {} */
export interface SignIn { person: string; password: string }
/** POST /api/1/password -> {} */
export interface NewPassword { old: string; new: string }
/** POST /api/1/accounts/invite (lead) -> Code ; POST /api/1/accounts/accept (public) {code, password} -> Me */
export interface Invite { person: string }
export interface Code { code: string; expires_at: Moment; link: string }
/** POST /api/1/passkeys/register/begin -> publicKey options (JSON of PublicKeyCredentialCreationOptions);
 *  POST /api/1/passkeys/register/finish {label, credential} -> Passkey
 *  POST /api/1/passkeys/sign-in/begin {person} (public) -> request options; .../sign-in/finish {credential} (public) -> Me
 *  GET /api/1/passkeys -> {passkeys: Passkey[]}; DELETE /api/1/passkeys/{id} -> {} */
export interface Passkey { id: string; label: string; made_at: Moment; used_at?: Moment }

// ---- people and devices ------------------------------------------------------------------------------------------

/** GET /api/1/people -> {people: PersonRow[]} */
export interface PersonRow {
  person: string; roles: Role[]; from?: Day; to?: Day
  /** Side table; only for those who may see it. */
  personal?: Personal
  has_account: boolean
  authorities: { taxa: string[]; up_to: string; from: Day; to?: Day; granted_by: string }[]
}
export interface Personal { name?: string; phone?: string; email?: string; address?: string; note?: string }
/** PUT /api/1/people/{person}/personal Personal -> {} ; DELETE /api/1/people/{person}/personal -> Receipt (erases). Roles: an entry person-enrolled. */

/** GET /api/1/devices -> {devices: DeviceRow[]} ; withdraw: entry device-withdrawn. */
export interface DeviceRow {
  device: Uuid; holder?: string; this_office: boolean
  entries: number; withdrawn_after?: number
  last_heard?: Moment
  /** No call for longer than a working day although its holder had work. Design choice: 24 h. */
  silent: boolean
}
/** POST /api/1/devices/code (lead) {person} -> Code ; POST /api/1/devices/enrol (public) DeviceEnrol -> DeviceEnrolled */
export interface DeviceEnrol { code: string; device: Uuid; key: string; signature: string }
export interface DeviceEnrolled {
  programme: { id: Uuid; name: string }; person: string; name?: string
  server: { device: Uuid; key: string }
}

// ---- writing -----------------------------------------------------------------------------------------------------

/** POST /api/1/entries NewEntry -> Receipt ; POST /api/1/entries/batch {entries: NewEntry[]} -> {receipts: Receipt[]} (all or none).
 *  `body` is of the kind's JSON Schema (crates/journal/schemas). `event_time` where it happened earlier: RFC 3339 with offset. */
export interface NewEntry { kind: string; version: number; body: unknown; event_time?: Moment }
export interface Receipt { entry: Uuid; number: number }
/** POST /api/1/attachments, raw bytes image/jpeg|png|webp -> Attachment ; GET /api/1/attachments/{hash} */
export interface Attachment { hash: string; bytes: number; media_type: string }

// ---- morning -----------------------------------------------------------------------------------------------------

export type Level = 'fine' | 'warn' | 'fail'
export interface ClockAge { clock: 'look' | 'lure' | 'insert' | 'killing-agent' | 'body'; level: Level; days: number; since: Day; warn_days?: number; fail_days?: number }
export interface DueTrap extends At {
  trap: string; place: string; zone?: string; targets: string[]
  level: Level; clocks: ClockAge[]
  /** Assurance points (sensitivity of its zone, 0..1) that a visit today would add: by the look, and by what it renews. Absent: no figure. */
  costs?: number; from_look?: number; from_renewal?: number
  last_look?: Day; last_stop?: Day
  /** Label of a hold that excuses the crew today. */
  held_by?: string
}
/** GET /api/1/morning?on= -> Morning */
export interface Morning {
  on: Day
  overdue: DueTrap[]
  suspects: TrayRow[]
  handovers: { handover: string; from: string; to: string; specimens: string[]; offered: Moment; hours: number; late: boolean }[]
  holds: HoldRow[]
  conflicts: ConflictRow[]
  finds: FindRow[]
  counts: { traps_out: number; visits_today: number; visits_7_days: number; hosts: number; places: number; entries: number }
  /** One per target: the weakest zone, in one line of figures. */
  assurance: { target: string; common_name: string; zone: string; sensitivity: Band; p_free?: Band }[]
  notes: string[]
}
export interface HoldRow { hold: string; reason: string; from: Day; to?: Day; scope: unknown; traps: number }
export interface ConflictRow { id: string; subject: string; kind: string; words: string; entries: Uuid[]; settled_by?: Uuid }
export interface FindRow extends Partial<At> { specimen?: string; trap?: string; zone?: string; day: Day; target: string; state: string; since?: Day }

// ---- targets and assurance ----------------------------------------------------------------------------------------

/** GET /api/1/targets -> {targets: Target[]} : adopted ones first, then the profiles that ship. */
export interface Target { id: string; common_name: string; scientific_name: string; adopted: boolean; caution: string; traps_out: number; assumptions: Assumption[]; warnings: string[] }
export interface Assumption { name: string; words: string; value: string; unit: string; source: string; confidence: string }

/** GET /api/1/assurance?target=&on=&draws= -> Assurance */
export interface Assurance {
  target: string; common_name: string; scientific_name: string; caution: string
  on: Day; season_from: Day; season_to: Day; flyers: number; draws: number; seed: number
  flight_to_date: Band
  open_suspects: number
  zones: ZoneAssurance[]
  assumptions: Assumption[]
  warnings: string[]
  notes: string[]
}
export interface ZoneAssurance {
  zone: string; found_on?: Day; sentence: string
  sensitivity: Band; p_free?: Band
  /** What each kind of evidence would say alone; absent where the traps stand alone. */
  components?: { kind: 'traps' | 'inspections' | 'detection-trees' | 'hotline'; words: string; sensitivity: Band; p_free?: Band; units: number; beside_traps: number; weight: number }[]
  periods: { from: Day; to: Day; flight_share: number; sensitivity: Band; p_free?: Band }[]
  covered_weight: number; cells: number; placements: number
  calendar_trap_days: number; effective_trap_days: number; waiting_trap_days: number
  losses: { cause: string; words: string; points: number }[]; lost_in_all: number
  next_visits: { trap: string; place: string; from_look: number; from_renewal: number; last_look?: Day; waiting_trap_days: number }[]
}

// ---- map ---------------------------------------------------------------------------------------------------------

/** GET /api/1/map?target=&on= -> MapFrame */
export interface MapFrame {
  bounds: [west: number, south: number, east: number, north: number]
  counts: { hosts: number; cells: number; places: number; traps: number; zones: number; land: number; pathways: number }
  resolution: number
  revision: number
  target: string; on: Day
  /** Ends of the cells' values, for the legend. */
  sensitivity: { min: number; max: number }; weight: { min: number; max: number }
}
/** GET /api/1/map/{zones|land|pathways|places|traps|finds}.geojson?target=&on= : FeatureCollection.
 *  zones {label}; land {label, rule, words}; pathways {label, kind, weight}; places {label, kept, forbidden, cost, zone, trap?};
 *  traps {trap, place, zone, targets, level, clocks (words), hung, last_look, held, costs}; finds {target, day, trap}.
 *  GET /api/1/tiles/hosts/{z}/{x}/{y}.mvt?target= : layer "hosts" points {label, species, condition, dbh_cm, n (hosts this point stands for)}
 *  GET /api/1/tiles/cells/{z}/{x}/{y}.mvt?target=&on=&rev= : layer "cells" polygons {cell (index), id, weight, s, s_low, s_high, zone}
 *  GET /api/1/tiles/plan/{draft}/{z}/{x}/{y}.mvt : layer "cells" {cell, weight, s}
 *  GET /api/1/tiles/compare/{a}/{b}/{z}/{x}/{y}.mvt : layer "cells" {cell, weight, a, b, d (b - a)} */

export interface Spot extends At { label: string; kept?: boolean; cost?: number }
/** POST /api/1/what-if WhatIfAsk -> WhatIf. Base: the draft's places, else the traps out now. Fresh lures, every visit made. */
export interface WhatIfAsk {
  target: string; draft?: Uuid
  moved: (At & { label: string })[]; added: At[]; removed: string[]
  /** 0: central parameters only (while dragging); more: bands too. */
  draws: number
}
export interface WhatIf {
  zones: { zone: string; before: number; after: number; band_before?: Band; band_after?: Band }[]
  all: { before: number; after: number; band_before?: Band; band_after?: Band }
  /** Cells whose value changes by more than 0.0005: [cell index, before, after]. */
  cells: [number, number, number][]
  broken_rules: { label: string; words: string }[]
  milliseconds: number
}

/** POST /api/1/plans PlanAsk -> {draft: Uuid} ; GET /api/1/plans/{draft} -> PlanDraft ; GET /api/1/plans -> {drafts: PlanDraft[] without places, adopted: AdoptedPlan[]} ; DELETE /api/1/plans/{draft} -> {} */
export interface PlanAsk {
  target: string; name?: string
  traps?: number; budget?: number
  aim?: 'sensitivity' | 'cover'
  spacing_m?: number; own_places_only?: boolean; keep_hanging?: boolean
  effort?: number; prove?: boolean; seed?: number
  /** Or: no search, but the traps that hang now, or these places as they are (an edited plan). */
  as_is?: 'hanging' | { from?: Uuid; places: Spot[] }
}
export interface PlanDraft {
  draft: Uuid; name: string; target: string; made_at: Moment; by: string
  state: 'working' | 'done' | 'failed'; words?: string
  places?: Spot[]; traps: number
  objective?: number; bound?: number; gap?: number; seconds?: number
  sensitivity?: { all: number; band?: Band; zones: { zone: string; value: number }[] }
  curve?: [number, number][]
  cost?: { traps: number; hours: number }
  candidates?: number; spacing_m?: number
  broken_rules?: { label: string; words: string }[]
  notes?: string[]
}
export interface AdoptedPlan { entry: Uuid; on: Moment; by: string; target: string; traps: number; objective: number; bound?: number; reason: string }
/** GET /api/1/plans/compare?a=&b= -> PlanComparison */
export interface PlanComparison {
  a: PlanDraft; b: PlanDraft
  same_places: number; only_a: Spot[]; only_b: Spot[]
  zones: { zone: string; a: number; b: number }[]
  difference: { min: number; max: number }
}
/** POST /api/1/plans/{draft}/adopt {reason} -> Receipt */

// ---- season, rounds ----------------------------------------------------------------------------------------------

/** GET /api/1/season?target=&year= -> Season */
export interface Season {
  target: string; common_name: string; year: number
  dates: { what: string; words: string; date: Day; early?: Day; late?: Day; usual?: boolean }[]
  flight: { date: Day; share: number; low?: number; high?: number }[]
  lure_changes: Day[]
  orders: { item: string; quantity: number; unit: string; by: Day; words: string }[]
  years: string
  notes: string[]
}
/** GET /api/1/rounds?on= -> Rounds : stops due by zone, nearest-next order within a zone (no roads yet). */
export interface Rounds { on: Day; zones: { zone: string; stops: (DueTrap & { order: number })[] }[]; crews: { crew: string; people: string[] }[]; notes: string[] }

// ---- rounds that are planned ---------------------------------------------------------------------------------------

export interface PlannedStopView extends At {
  trap: string; place: string; arrive: string; leave: string; drive_minutes: number; what: string[]
  cautions: string[]; directions?: string; needs: string[]; done: boolean
}
export interface PlannedRoundView {
  sheet: string; crew: string; people: string[]; date: Day; starts: string; ends: string; drive_minutes: number; work_minutes: number
  break_minutes: number; break_at?: string; km?: number; line?: [lon: number, lat: number][]; stops: PlannedStopView[]
}
export interface LeftOutView { trap: string; place: string; lat?: number; lon?: number; reason: string; worth?: number; last_day?: Day }
/** GET /api/1/rounds/adopted?from=&to= -> RoundsView : the rounds that hold. */
export interface RoundsView {
  from: Day; to: Day; adopted?: { entry: Uuid; at: Moment; by: string; reason: string }; rounds: PlannedRoundView[]; left_out: LeftOutView[]
  fairness: { crew: string; minutes: number }[]; notes: string[]
}
/** POST /api/1/rounds/drafts -> {draft}; `at`: HH:MM of the first day, plan again from then on. */
export interface RoundsAsk {
  from: Day; days?: number; without?: { crew: string; date?: Day }[]; no_work?: Day[]; at?: string; closed?: string[]; heat_limit_c?: number; seed?: number
}
/** GET /api/1/rounds/drafts/{draft} ; POST .../adopt {reason} -> Receipt */
export interface RoundsDraft { draft: Uuid; state: 'working' | 'ready' | 'failed'; rounds?: RoundsView; why?: string }
export interface TypedRow { stop: string; trap: string; found: string; looked: string; suspects: string; lure: string; insert: string; agent: string; body: string; arrive: string; leave: string; note: string }
/** GET /api/1/rounds/sheets/{code} */
export interface SheetForm { round: PlannedRoundView; rows: TypedRow[]; recorded: number[] }
/** POST /api/1/rounds/sheets/{code} {rows}: nothing was written where there are problems. Rows count from 1. */
export interface TypedIn { problems: { row: number; column: string; words: string }[]; recorded: number }

// ---- bench -------------------------------------------------------------------------------------------------------

export interface TrayRow {
  specimen: string; trap?: string; place?: string; zone?: string; target?: string; taken: Day; hours: number
  urgency: string; state: string; held_by?: string; late: boolean; photos: number
}
/** GET /api/1/bench -> {tray: TrayRow[], handovers: Morning['handovers'], inserts: InsertRow[]} */
export interface InsertRow { insert: string; trap: string; taken: Day; screenings: number }
/** GET /api/1/specimens/{label} -> Specimen */
export interface Specimen {
  specimen: string; parent?: string; trap?: string; place?: string; taken: Day; taken_by: string; state: string; held_by?: string
  at?: At; host?: string; photos: { hash: string; media_type: string }[]
  opinions: { entry: Uuid; by: string; on: Day; taxon: string; status: string; method?: string; words?: string; authority: boolean }[]
  custody: { entry: Uuid; at: Moment; what: string; from?: string; to?: string; words: string }[]
  screenings: { entry: Uuid; by: string; on: Day; words: string }[]
  children: string[]
  next_moves: string[]
}

// ---- trees, stores -----------------------------------------------------------------------------------------------

/** GET /api/1/trees?q=&limit= -> {inspections: InspectionRow[], total: number, signs: {sign: string; count: number}[]} */
export interface InspectionRow extends Partial<At> { entry: Uuid; tree: string; species?: string; on: Day; by: string; looked: string[]; from: string; minutes?: number; signs: { sign: string; result: string; count?: number }[]; severity?: string; action?: string; next_look?: Day; photos: number; words?: string }
/** GET /api/1/stores -> {lots: LotRow[]} ; GET /api/1/stores/{lot} -> LotTrace (the journal's own shape) */
export interface LotRow { lot: string; item: string; unit?: string; received: number; used: number; on_hand: number; expires?: Day; expired: boolean; where: { place: string; quantity: number }[] }

/** Pieces of a lot; without `lot`: bodies or poles that came back from traps taken down. */
export interface FromLot { lot?: string; pieces: number }
export interface SupplyWeek { from: Day; to: Day; need: number; taken: number; used: FromLot[]; short: number; back: number; expired: FromLot[]; left: number }
export interface SupplyOrder { pieces: number; arrive_by: Day; order_by?: Day; late: boolean; arrives?: Day; missing_before: number; covers: [Day, Day] }
export interface SupplyForecast { item: string; targets: string[]; in_store: number; expired_already: FromLot[]; need: number; lost: number; short_from?: Day; short: number; weeks: SupplyWeek[]; orders: SupplyOrder[] }
/** GET /api/1/supplies/forecast?from=&weeks=&lead_days=&spoilage=&safety_days=&batch_weeks=&reuse=&with_crews=&station= -> SuppliesAhead ; figures that
 *  differ by item are written as `30,lure=45`. */
export interface SuppliesAhead { today: Day; from: Day; to: Day; terms: { item: string; lead_days?: number; spoilage: number; safety_days: number }[]; items: SupplyForecast[]; notes: string[] }

// ---- journal -----------------------------------------------------------------------------------------------------

/** GET /api/1/journal?kind=&person=&device=&text=&before=&limit= -> {entries: JournalRow[], more: boolean} */
export interface JournalRow {
  entry: Uuid; device: Uuid; number: number; at: Moment; recorded: Moment; person: string; kind: string; version: number
  /** One plain line. */
  words: string
  subjects: string[]; body: unknown
  corrected_by?: Uuid; signed: boolean
}
/** GET /api/1/journal/verify -> Verified (may take a while) */
export interface Verified { sound: boolean; entries: number; first_bad?: string; heads: { device: Uuid; number: number; hash: string }[]; unknown: string[]; checked_at: Moment }
/** GET /api/1/conflicts?all= -> {conflicts: ConflictRow[]} ; settle: entry conflict-settled ; put right: entry correction. */
/** GET /api/1/month?from=&to= -> Month (the journal's own shape, see crates/journal/src/ask/month.rs) */

// ---- loading -----------------------------------------------------------------------------------------------------

export type LoadWhat = 'hosts' | 'pathways' | 'land' | 'zones' | 'weather' | 'places' | 'roads' | 'crews' | 'access' | 'traps' | 'visits' | 'targets'
/** POST /api/1/load/preview?what=&name= raw bytes (CSV, GeoJSON, TOML) -> LoadPreview ; POST /api/1/load/{draft}/commit {keep_good, replace} -> {written: number, left_out: number} ; DELETE /api/1/load/{draft} */
export interface LoadPreview {
  draft: Uuid; what: LoadWhat; name: string
  good: number; bad: number
  /** The first 500 rejected rows; `bad` counts all. */
  rejected: { row?: number; column?: string; value?: string; rule: string; words: string }[]
  columns: { name: string; used: boolean }[]
  sample: Record<string, unknown>[]
  /** GeoJSON of up to 5 000 of the good rows, to be looked at on a map. */
  shapes?: unknown
  notes: string[]
  can_replace: boolean
}

// ---- phone -------------------------------------------------------------------------------------------------------

/** POST /api/1/phone/day (signed by the device) {"today"?: Day} -> PhoneDay. All a phone needs for its day off the network. */
export interface PhoneDay {
  made_at: Moment; today: Day
  programme: { id: Uuid; name: string }
  person: string; name?: string; roles: Role[]; crew?: string
  /** Due today, in the order to be driven; then others nearby are found in `traps`. */
  stops: PhoneStop[]
  /** Every trap that is out or resting, for scanning and typing labels. */
  traps: PhoneTrap[]
  /** Places of the latest plans at which a trap is still to be hung, at most 1 000; by zone, then to the nearest next. */
  to_hang: PhonePlace[]
  /** Traps on the books that never hung. */
  never_hung: string[]
  targets: { id: string; common_name: string; scientific_name: string; caution: string }[]
  /** Lots with something on hand, by item ("lure", "insert", "killing-agent", "body"). */
  lots: { lot: string; item: string; on_hand: number; expires?: Day }[]
  /** Hosts within 300 m of today's stops, at most 5 000, nearest first. */
  trees: (At & { label: string; species: string })[]
  holds: HoldRow[]
  /** Specimen labels that are used already and look like the pre-printed series, so that a doubled number is caught off line. */
  used_specimens: string[]
  limits: Record<string, { warn_days: number; fail_days: number }>
  notes: string[]
}
/** `targets`: those for which a plan wants a trap here and none hangs. */
export interface PhonePlace extends At { place: string; zone?: string; targets: string[]; cost?: number; cautions?: string[] }
export interface PhoneTrap extends At { trap: string; place: string; zone?: string; targets: string[]; state: string; hung?: Day; lure_lot?: string }
export interface PhoneStop extends PhoneTrap {
  order: number; level: Level; clocks: ClockAge[]
  directions?: string; cautions: string[]
  /** "pole", "ladder", "two-people". */
  needs?: string[]
  /** When the adopted round of the crew has it, HH:MM. */
  planned?: { sheet: string; arrive: string; leave: string }
  last?: { on: Day; by: string; words: string }
  held_by?: string
}
