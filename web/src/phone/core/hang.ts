// Hanging a trap at a place of the plan, and the entries that come of it: on the books if it is new, the placement, the visit. The rules are those of
// the journal; the chain's tests (crates/chain/tests/steps.rs) record exactly such bodies.

import type { At, PhonePlace, PhoneTrap } from '../../lib/api/types'
import { metres } from './ground'
import type { Draw } from './outbox'
import { hashes, label, positionFields, type Fault, type FormPhoto, type Part } from './stop'
import { localDay, localMoment } from './times'

/** Farther from the plan than this, the journal is told why. Design choice: about what a phone's position is good for under trees, twice. */
export const FAR_M = 30
/** What is put into a trap that is being hung; its body is the trap itself. */
export const HANG_PARTS = ['lure', 'insert', 'killing_agent'] as const satisfies readonly Part[]
export const WHERE = ['planned', 'here'] as const
/** Words for devices, as they go into the journal; any other can be typed. */
export const DEVICES = ['prism', 'delta', 'multi-funnel', 'panel', 'bucket'] as const

export type HangPart = (typeof HANG_PARTS)[number]
export interface HangForm {
  place: string; lat: number; lon: number; zone?: string
  /** Targets for which the plan wants a trap here. */
  planned: string[]
  started: string
  trap: string
  /** The label that was scanned, if one was. */
  scanned: string
  device: string
  targets: string[]
  parts: HangPart[]
  lots: Record<HangPart, string>
  where: (typeof WHERE)[number]
  here?: At & { accuracy_m: number }
  why_off: string
  note: string
  photos: FormPhoto[]
  position?: At & { accuracy_m: number }
}

/** What the phone knows of traps. */
export interface Known { traps: PhoneTrap[]; neverHung: string[] }

export function openHang(place: PhonePlace, lots: Partial<Record<Part, string>>, device: string, now: Date): HangForm {
  return {
    place: place.place, lat: place.lat, lon: place.lon, ...(place.zone === undefined ? {} : { zone: place.zone }), planned: place.targets, started: localMoment(now), trap: '', scanned: '',
    device, targets: place.targets, parts: ['lure'], lots: { lure: lots.lure ?? '', insert: lots.insert ?? '', killing_agent: lots.killing_agent ?? '' }, where: 'planned', why_off: '', note: '', photos: [],
  }
}

const same = (a: string, b: string): boolean => label(a).toLowerCase() === label(b).toLowerCase()
const words = (text: string): string | undefined => (text.trim() === '' ? undefined : text.trim())
const email = (text: string): boolean => text.split(/\s+/).some((word) => /[^@]@[^@]+\.[^@]/.test(word))

export const trapOf = (text: string, known: Known): PhoneTrap | undefined => known.traps.find((trap) => same(trap.trap, text))

/** The trap that is named, if it hangs: it can't hang twice. */
export function hangsElsewhere(text: string, known: Known): PhoneTrap | undefined {
  const trap = trapOf(text, known)
  return trap === undefined || trap.state === 'stored' ? undefined : trap
}

/** A label that no list on this phone has: it comes on the books with the hanging. */
export function isNew(text: string, known: Known): boolean {
  return label(text) !== '' && trapOf(text, known) === undefined && !known.neverHung.some((other) => same(other, text))
}

/** Metres between the plan and where it hangs. */
export function offPlan(form: HangForm): number {
  return form.where === 'here' && form.here !== undefined ? metres(form, form.here) : 0
}

export function hangFaults(form: HangForm, known: Known): Fault[] {
  const out: Fault[] = []
  if (label(form.trap) === '') out.push('hang-trap')
  else if (hangsElsewhere(form.trap, known) !== undefined) out.push('hang-hangs')
  else if (isNew(form.trap, known) && label(form.device) === '') out.push('hang-device')
  if (form.targets.length === 0) out.push('hang-targets')
  if (form.where === 'here' && form.here === undefined) out.push('hang-here')
  if (offPlan(form) > FAR_M && words(form.why_off) === undefined) out.push('hang-why')
  if ([form.why_off, form.note].some(email)) out.push('email')
  return out
}

/** The label as the lists have it, whatever case it was typed in. */
function labelOf(form: HangForm, known: Known): string {
  return trapOf(form.trap, known)?.trap ?? known.neverHung.find((other) => same(other, form.trap)) ?? label(form.trap)
}

function noteOf(form: HangForm): string | undefined {
  const off = offPlan(form)
  const why = off > FAR_M ? `hung ${Math.round(off)} m from the planned place: ${form.why_off.trim()}` : undefined
  return words([why, words(form.note)].filter((text) => text !== undefined).join('. '))
}

/** All entries of one tap on Save. Only for a form without faults. */
export function hangDraws(form: HangForm, known: Known, now: Date, crew?: string): Draw[] {
  const trap = labelOf(form, known)
  const [date, event_time] = [form.started.slice(0, 10), form.started]
  const at = form.where === 'here' && form.here !== undefined ? form.here : { lat: form.lat, lon: form.lon, accuracy_m: 0 }
  const { position } = positionFields(at)
  const draws: Draw[] = []
  if (isNew(form.trap, known)) draws.push({ kind: 'trap-registered', version: 1, body: { trap, device: label(form.device) }, event_time, about: trap, photos: [] })
  draws.push({ kind: 'trap-placed', version: 1, body: { trap, place: form.place, position, targets: form.targets, hung: date }, event_time, about: trap, photos: [] })
  const photos = form.photos.map(({ hash, bytes, media, shows }) => ({ hash, bytes, media, shows }))
  const visit = {
    trap, date, place: form.place,
    arrive: form.started, leave: localDay(now) === date && now.getTime() >= Date.parse(form.started) ? localMoment(now) : undefined,
    kind: 'hang', proved_by: form.scanned !== '' && same(form.scanned, form.trap) ? 'scanned' : 'read',
    ...positionFields(form.where === 'here' ? form.here : form.position),
    // Nothing hung there before: nothing was looked at, and that needs no reason.
    found: 'working', looked: 'no',
    renewed: form.parts.length === 0 ? undefined : Object.fromEntries(form.parts.map((part) => [part, { lot: words(label(form.lots[part])) }])),
    outcome: 'complete',
    photos: photos.length === 0 ? undefined : photos,
    crew: words(crew ?? ''), note: noteOf(form),
  }
  draws.push({ kind: 'visit-made', version: 2, body: visit, event_time, about: trap, photos: hashes(form.photos) })
  return draws
}
