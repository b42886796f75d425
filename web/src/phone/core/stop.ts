// What is tapped at a trap, and the entries that come of it. The rules are those of the journal (crates/journal/src/body/field.rs):
// a body that breaks one is never written.

import type { ClockAge, PhoneStop, PhoneTrap } from '../../lib/api/types'
import type { Draw } from './outbox'
import { localDay, localMoment } from './times'

export const PROOFS = ['read', 'scanned', 'recognised'] as const
export const FOUND = ['working', 'impaired', 'down', 'gone', 'not-reached'] as const
export const IMPAIRMENTS = [
  'twisted', 'wet', 'glue-dead', 'full-of-by-catch', 'animal-damage', 'pulled-apart', 'melted', 'lure-missing', 'lure-dry', 'part-missing', 'wrong-height',
  'foliage-blocking', 'host-changed', 'sprayed-nearby', 'other',
] as const
/** `none` and `suspect` are whole looks; only `no` is no look. */
export const LOOKS = ['none', 'suspect', 'partly', 'no'] as const
export const PARTS = ['lure', 'insert', 'killing_agent', 'body'] as const
export const BY_CATCH = ['none', 'few', 'many', 'full'] as const
export const KEPT_AWAY = ['locked', 'unsafe', 'closed-area', 'nobody-home', 'refused-today', 'refused-for-good', 'wrong-address', 'site-changed', 'other'] as const
export const AT_TRAP = ['site-changed', 'duplicate-trap', 'damaged-by-people', 'refused-for-good', 'other'] as const
export const RESIDENT = ['spoke', 'nobody-home', 'refused-today', 'refused-for-good', 'call-back'] as const
export const ADJUSTED = ['cleaned', 're-hung', 'height changed', 'branches cut back'] as const
export const KINDS = ['service', 'move', 'take-down'] as const

export type Part = (typeof PARTS)[number]
type One<T extends readonly string[]> = T[number]

export interface FormPhoto { hash: string; bytes: number; media: string; shows: string }
export interface SpecimenForm {
  label: string; target: string; count: number; container: string; kept_in: string; note: string; photos: FormPhoto[]
}
export interface StopForm {
  trap: string; place?: string; targets: string[]
  started: string
  kind: One<typeof KINDS>
  proof?: One<typeof PROOFS>
  found?: One<typeof FOUND>
  impairments: One<typeof IMPAIRMENTS>[]
  look?: One<typeof LOOKS>
  why_not: string
  suspects: number
  specimens: SpecimenForm[]
  by_catch?: One<typeof BY_CATCH>
  by_catch_note: string
  insert_taken: string
  renew?: 'due' | 'nothing' | 'other'
  /** Parts that are due by their clocks. */
  due: Part[]
  renewed: Record<Part, { on: boolean; lot: string }>
  hanging_lot: string
  adjusted: string[]
  exception?: string
  exception_note: string
  resident?: One<typeof RESIDENT>
  notice_language: string; notice_where: string
  photos: FormPhoto[]
  weather: string; temperature_c?: number
  request: string; note: string
  moved: { place: string; lat?: number; lon?: number }
  position?: { lat: number; lon: number; accuracy_m: number }
}

/** What stands in the way of saving; each names a question on the screen. */
export type Fault =
  | 'proof' | 'found' | 'impaired' | 'impaired-other' | 'exception' | 'exception-note' | 'look' | 'why-not' | 'suspects' | 'specimen-label' | 'specimen-twice' | 'specimen-used'
  | 'renew' | 'moved' | 'email' | 'resident' | 'tree' | 'species' | 'parts' | 'signs' | 'sign-other' | 'where' | 'notice' | 'temperature' | 'what-other' | 'minutes' | 'size'
  | 'hang-trap' | 'hang-hangs' | 'hang-device' | 'hang-targets' | 'hang-here' | 'hang-why'

export function openStop(trap: PhoneTrap | PhoneStop, lots: Partial<Record<Part, string>>, now: Date): StopForm {
  const clocks: ClockAge[] = 'clocks' in trap ? trap.clocks : []
  const due = PARTS.filter((part) => clocks.some((clock) => clock.clock === part.replace('_', '-') && clock.level !== 'fine'))
  const renewed = Object.fromEntries(PARTS.map((part) => [part, { on: false, lot: lots[part] ?? '' }])) as StopForm['renewed']
  return {
    trap: trap.trap, place: trap.place, targets: trap.targets, started: localMoment(now), kind: 'service', impairments: [], why_not: '', suspects: 1, specimens: [],
    by_catch_note: '', insert_taken: '', due, renewed, hanging_lot: '', adjusted: [], exception_note: '', notice_language: '', notice_where: '', photos: [], weather: '',
    request: '', note: '', moved: { place: '' },
  }
}

export function openSpecimen(target: string): SpecimenForm {
  return { label: '', target, count: 1, container: '', kept_in: '', note: '', photos: [] }
}

const isThere = (form: StopForm): boolean => form.found === 'working' || form.found === 'impaired' || form.found === 'down'

/** Whether a question has a place on the screen, by what was answered before. */
export function asks(form: StopForm): { proof: boolean; look: boolean; renew: boolean; specimens: boolean; impairments: boolean; exception: boolean } {
  return {
    proof: form.found !== 'gone' && form.found !== 'not-reached',
    impairments: form.found === 'impaired' || form.found === 'down',
    exception: form.found === 'gone' || form.found === 'not-reached',
    look: isThere(form),
    specimens: isThere(form) && (form.look === 'suspect' || (form.look === 'partly' && form.specimens.length > 0)),
    renew: (isThere(form) && form.look !== undefined) || form.found === 'gone',
  }
}

/** The parts that were renewed, by the answer to that question. */
export function renewedParts(form: StopForm): Part[] {
  if (form.renew === 'due') return form.due
  return form.renew === 'other' ? PARTS.filter((part) => form.renewed[part].on) : []
}

const words = (text: string): string | undefined => (text.trim() === '' ? undefined : text.trim())
const looksLikeEmail = (text: string): boolean => text.split(/\s+/).some((word) => /[^@]@[^@]+\.[^@]/.test(word))

/** A label as the journal takes it: no blanks at its ends, no control characters. */
export function label(text: string): string {
  return text.replace(/[\u0000-\u001f\u007f-\u009f]/g, '').trim().slice(0, 200)
}

/** What still has to be said. `used`: specimen labels that can't be given again. */
export function faults(form: StopForm, used: ReadonlySet<string>): Fault[] {
  const out: Fault[] = []
  const there = isThere(form)
  if (form.found === undefined) return form.proof === undefined ? ['proof', 'found'] : ['found']
  if (there && form.proof === undefined) out.push('proof')
  if (form.found === 'impaired' && form.impairments.length === 0) out.push('impaired')
  if (asks(form).impairments && form.impairments.includes('other') && words(form.note) === undefined) out.push('impaired-other')
  if (form.found === 'not-reached' && form.exception === undefined) out.push('exception')
  if (exceptionOf(form) === 'other' && words(form.exception_note) === undefined) out.push('exception-note')
  if (there) {
    if (form.look === undefined) out.push('look')
    if ((form.look === 'no' || form.look === 'partly') && form.found !== 'down' && words(form.why_not) === undefined) out.push('why-not')
    if (form.look === 'suspect' && form.specimens.length === 0) out.push('suspects')
    if (form.renew === undefined) out.push('renew')
  }
  if (asks(form).specimens) out.push(...specimenFaults([...form.specimens.map((s) => s.label), form.insert_taken].filter((l, i) => i < form.specimens.length || label(l) !== ''), used))
  else if (there && label(form.insert_taken) !== '') out.push(...specimenFaults([form.insert_taken], used))
  if (there && form.kind === 'move' && (label(form.moved.place) === '' || !isPosition(form.moved))) out.push('moved')
  if (contradicts(exceptionOf(form), form.resident)) out.push('resident')
  if ((label(form.notice_language) === '') !== (words(form.notice_where) === undefined)) out.push('notice')
  if (form.temperature_c !== undefined && form.temperature_c !== null && !(Math.abs(form.temperature_c) <= 60)) out.push('temperature')
  const texts = [form.why_not, form.by_catch_note, form.exception_note, form.notice_where, form.weather, form.request, form.note, ...form.adjusted, ...form.specimens.flatMap((s) => [s.note, s.container, s.kept_in])]
  if (texts.some(looksLikeEmail)) out.push('email')
  return out
}

export function specimenFaults(labels: string[], used: ReadonlySet<string>): Fault[] {
  const out: Fault[] = []
  const given = labels.map(label)
  if (given.some((l) => l === '')) out.push('specimen-label')
  const named = given.filter((l) => l !== '')
  if (new Set(named).size < named.length) out.push('specimen-twice')
  if (named.some((l) => used.has(l))) out.push('specimen-used')
  return out
}

function isPosition(at: { lat?: number; lon?: number }): at is { lat: number; lon: number } {
  return typeof at.lat === 'number' && typeof at.lon === 'number' && Math.abs(at.lat) <= 90 && Math.abs(at.lon) <= 180
}

function exceptionOf(form: StopForm): string | undefined {
  if (form.found === 'gone') return form.exception ?? 'trap-missing'
  return form.exception === 'trap-missing' ? undefined : form.exception
}

function contradicts(exception: string | undefined, resident: string | undefined): boolean {
  if (exception === undefined || resident === undefined) return false
  if (exception === 'nobody-home') return resident !== 'nobody-home'
  if (exception === 'refused-today') return resident !== 'refused-today' && resident !== 'call-back'
  return exception === 'refused-for-good' && resident !== 'refused-for-good'
}

function outcome(form: StopForm, done: { looked: string; renewed: boolean; insert: boolean; adjusted: boolean }): 'complete' | 'partial' | 'failed' {
  const nothing = done.looked === 'no' && !done.renewed && !done.insert && !done.adjusted
  if (form.found === 'not-reached') return 'failed'
  const moves = isThere(form) && form.kind !== 'service'
  if (nothing && !moves) return 'failed'
  if (form.found === 'gone' || done.looked !== 'fully' || exceptionOf(form) !== undefined) return 'partial'
  const parts = renewedParts(form)
  return form.kind === 'service' && form.due.some((part) => !parts.includes(part)) ? 'partial' : 'complete'
}

const round = (x: number, digits: number): number => Number(x.toFixed(digits))

export function positionFields(position: StopForm['position']): { position?: { lat: number; lon: number }; position_accuracy_m?: number } {
  if (position === undefined || !isPosition(position)) return {}
  const at = { lat: round(position.lat, 6), lon: round(position.lon, 6) }
  return position.accuracy_m <= 100_000 ? { position: at, position_accuracy_m: round(position.accuracy_m, 1) } : { position: at }
}

const photosField = (photos: FormPhoto[]): FormPhoto[] | undefined => (photos.length === 0 ? undefined : photos.map(({ hash, bytes, media, shows }) => ({ hash, bytes, media, shows })))
const some = <T>(list: T[]): T[] | undefined => (list.length === 0 ? undefined : list)

/** The visit's body. Only for a form without faults. */
export function visitBody(form: StopForm, now: Date, crew?: string): Record<string, unknown> {
  const there = isThere(form)
  const looked = !there || form.look === 'no' ? 'no' : form.look === 'partly' ? 'partly' : 'fully'
  const replaced = form.found === 'gone' && renewedParts(form).includes('body')
  const parts = there || replaced ? renewedParts(form) : []
  const renewed = Object.fromEntries(parts.map((part) => [part, { lot: words(form.renewed[part].lot) }]))
  const adjusted = there ? form.adjusted.map(label).filter((text) => text !== '') : []
  const insert = there ? words(label(form.insert_taken)) : undefined
  const specimens = asks(form).specimens ? form.specimens.map((s) => label(s.label)) : []
  const date = form.started.slice(0, 10)
  const exception = exceptionOf(form)
  return {
    trap: form.trap, date, place: words(form.place ?? ''),
    arrive: form.started, leave: localDay(now) === date && now.getTime() >= Date.parse(form.started) ? localMoment(now) : undefined,
    kind: there ? form.kind : 'service',
    moved_to: there && form.kind === 'move' ? { place: label(form.moved.place), position: { lat: form.moved.lat, lon: form.moved.lon } } : undefined,
    proved_by: there ? form.proof : undefined,
    ...positionFields(form.position),
    found: form.found,
    impairments: asks(form).impairments ? some(form.impairments) : undefined,
    looked,
    not_looked_why: looked === 'fully' || !there ? undefined : words(form.why_not),
    catch: looked === 'no' ? undefined : {
      suspects: specimens.length === 0 ? 0 : Math.max(form.suspects, specimens.length),
      specimens: some(specimens),
      by_catch: form.by_catch === undefined ? undefined : { level: form.by_catch, note: words(form.by_catch_note) },
    },
    insert_taken: insert,
    renewed: parts.length === 0 ? undefined : renewed,
    hanging_lot: there && !parts.includes('lure') ? words(label(form.hanging_lot)) : undefined,
    adjusted: some(adjusted),
    outcome: outcome(form, { looked, renewed: parts.length > 0, insert: insert !== undefined, adjusted: adjusted.length > 0 }),
    exception, exception_note: exception === undefined ? undefined : words(form.exception_note),
    resident: form.resident,
    notices: words(form.notice_where) === undefined ? undefined : [{ language: label(form.notice_language), where_left: form.notice_where.trim() }],
    photos: photosField(form.photos),
    weather_note: words(form.weather), temperature_c: form.temperature_c ?? undefined,
    crew: words(crew ?? ''), request: words(form.request), note: words(form.note),
  }
}

/** One specimen's body. `what`: insect by default. */
export function specimenBody(specimen: SpecimenForm, from: object, what = 'insect'): Record<string, unknown> {
  return {
    specimen: label(specimen.label), what, from, count: specimen.count >= 1 ? Math.round(specimen.count) : undefined,
    container: words(specimen.container), kept_in: words(specimen.kept_in), suspected: words(specimen.target), note: words(specimen.note), photos: photosField(specimen.photos),
  }
}

export const hashes = (photos: FormPhoto[]): string[] => photos.map((photo) => photo.hash)

/** All entries of one tap on Save: the visit, the specimens that got labels, and where the trap is now. */
export function stopDraws(form: StopForm, now: Date, crew?: string): Draw[] {
  const body = visitBody(form, now, crew)
  const [date, event_time] = [form.started.slice(0, 10), form.started]
  const draws: Draw[] = [{ kind: 'visit-made', version: 2, body, event_time, about: form.trap, photos: hashes(form.photos) }]
  const from = { is: 'trap', trap: form.trap, date }
  const of = (kind: string, version: number, what: object, about: string, photos: string[] = []): Draw => ({ kind, version, body: what, event_time, about, photos })
  if (asks(form).specimens) {
    for (const specimen of form.specimens) draws.push(of('specimen-taken', 1, specimenBody(specimen, from), label(specimen.label), hashes(specimen.photos)))
  }
  if (typeof body['insert_taken'] === 'string') draws.push(of('specimen-taken', 1, { specimen: body['insert_taken'], what: 'insert', from }, body['insert_taken']))
  if (body['kind'] === 'take-down' || body['kind'] === 'move') draws.push(of('trap-taken-down', 1, { trap: form.trap, date }, form.trap))
  if (body['kind'] === 'move') {
    const position = { lat: form.moved.lat, lon: form.moved.lon }
    draws.push(of('trap-placed', 1, { trap: form.trap, place: label(form.moved.place), position, targets: form.targets, hung: date }, form.trap))
  }
  return draws
}

/** Takes entries of one tap back, the last first: a correction each, nothing is deleted. */
export function undoDraws(entries: { id: string; about: string }[], reason: string, now: Date): Draw[] {
  return [...entries].reverse().map(({ id, about }) => ({
    kind: 'correction', version: 1, body: { corrects: id, reason, change: { to: 'withdraw' } }, event_time: localMoment(now), about,
  }))
}
