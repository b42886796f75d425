// A look at a tree. "Looked, none" and "could not look" are different records, here as in the journal.

import type { Draw } from './outbox'
import { hashes, label, positionFields, specimenBody, specimenFaults, type Fault, type FormPhoto, type SpecimenForm } from './stop'

export const VANTAGES = ['ground', 'binocular', 'ladder', 'climb', 'lift'] as const
export const TREE_PARTS = ['base', 'lower-trunk', 'upper-trunk', 'branches', 'canopy'] as const
export const SIGNS = [
  'hole', 'egg-pit', 'frass', 'stain', 'gum', 'bark-split', 'loose-bark', 'stripped', 'gallery', 'live-stage', 'crown-thin', 'shoots', 'flagging', 'tree-dead', 'tree-gone',
  'cut-wood', 'other',
] as const
export const SHAPES = ['d', 'round', 'oval', 'irregular'] as const
export const LEAVES = ['in-leaf', 'leafless', 'unknown'] as const
export const RESULTS = ['none', 'seen', 'no'] as const
export const MATERIALS = ['insect', 'larva', 'branch', 'gallery', 'frass', 'other'] as const

export interface SignForm { sign: (typeof SIGNS)[number]; count?: number; shape?: (typeof SHAPES)[number]; size_mm?: number; height_m?: number; fresh?: boolean; note: string }
export interface TreeForm {
  started: string
  tree: string; host?: string; species: string; sure: 'sure' | 'probable' | 'unknown'
  from?: (typeof VANTAGES)[number]
  parts: (typeof TREE_PARTS)[number][]
  result?: (typeof RESULTS)[number]
  /** Only part of what is named could be looked at. */
  partly: boolean
  why_not: string
  leaf: (typeof LEAVES)[number]
  minutes?: number
  signs: SignForm[]
  specimens: (SpecimenForm & { what: (typeof MATERIALS)[number] })[]
  action: string; next_look: string
  photos: FormPhoto[]
  position?: { lat: number; lon: number; accuracy_m: number }
}

export function openTree(started: string): TreeForm {
  return { started, tree: '', species: '', sure: 'unknown', parts: [], partly: false, why_not: '', leaf: 'unknown', signs: [], specimens: [], action: '', next_look: '', photos: [] }
}

const words = (text: string): string | undefined => (text.trim() === '' ? undefined : text.trim())
const email = (text: string): boolean => text.split(/\s+/).some((word) => /[^@]@[^@]+\.[^@]/.test(word))
const whole = (x: number | undefined | null): number | undefined => (typeof x === 'number' && Number.isFinite(x) ? Math.round(x) : undefined)
const real = (x: number | undefined | null): number | undefined => (typeof x === 'number' && Number.isFinite(x) ? x : undefined)

export function treeFaults(form: TreeForm, used: ReadonlySet<string>): Fault[] {
  const out: Fault[] = []
  if (label(form.tree) === '') out.push('tree')
  if (form.sure !== 'unknown' && label(form.species) === '') out.push('species')
  if (form.from === undefined) out.push('where')
  if (form.result === undefined) out.push('look')
  const looked = form.result === 'none' || form.result === 'seen'
  if (looked && form.parts.length === 0) out.push('parts')
  if ((form.result === 'no' || (looked && form.partly)) && words(form.why_not) === undefined) out.push('why-not')
  if (form.result === 'seen' && form.signs.length === 0) out.push('signs')
  if (form.result === 'seen' && form.signs.some((sign) => sign.sign === 'other' && words(sign.note) === undefined)) out.push('sign-other')
  if (form.signs.some((sign) => outside(sign.size_mm, 0.01, 1_000) || outside(sign.height_m, 0, 120) || outside(sign.count, 1, 4_294_967_295))) out.push('size')
  if (outside(form.minutes, 0, 1_440)) out.push('minutes')
  if (looked) out.push(...specimenFaults(form.specimens.map((s) => s.label), used))
  if (form.specimens.some((s) => s.what === 'other' && words(s.note) === undefined)) out.push('what-other')
  if ([form.why_not, form.action, ...form.signs.map((s) => s.note), ...form.specimens.map((s) => s.note)].some(email)) out.push('email')
  return out
}

function outside(x: number | undefined | null, least: number, most: number): boolean {
  return typeof x === 'number' && !(x >= least && x <= most)
}

export function treeBody(form: TreeForm, crew?: string): Record<string, unknown> {
  const looked = form.result !== 'no'
  const species = words(label(form.species))
  const signs = form.result === 'seen' ? form.signs.map((sign) => {
    const size = sign.sign === 'hole' ? real(sign.size_mm) : undefined
    return {
      sign: sign.sign, count: whole(sign.count), shape: sign.sign === 'hole' ? sign.shape : undefined, size_mm: size === undefined ? undefined : [size, size],
      height_m: real(sign.height_m), fresh: sign.fresh, note: words(sign.note),
    }
  }) : []
  return {
    tree: label(form.tree), host: words(form.host ?? ''), species, species_sure: species === undefined ? 'unknown' : form.sure === 'unknown' ? 'probable' : form.sure,
    ...positionFields(form.position),
    date: form.started.slice(0, 10), crew: words(crew ?? ''), from: form.from,
    parts: looked ? form.parts : [],
    looked: !looked ? 'no' : form.partly ? 'partly' : 'fully',
    why_not: !looked || form.partly ? words(form.why_not) : undefined,
    leaf: form.leaf, minutes: whole(form.minutes),
    signs, none_found: form.result === 'none',
    specimens: looked ? form.specimens.map((s) => label(s.label)) : [],
    photos: form.photos, action: words(form.action), next_look: words(form.next_look),
  }
}

/** The look, and what was taken from the tree. */
export function treeDraws(form: TreeForm, crew?: string): Draw[] {
  const [date, event_time] = [form.started.slice(0, 10), form.started]
  const draws: Draw[] = [{ kind: 'tree-inspected', version: 1, body: compact(treeBody(form, crew)), event_time, about: label(form.tree), photos: hashes(form.photos) }]
  if (form.result === 'no') return draws
  for (const specimen of form.specimens) {
    const body = specimenBody(specimen, { is: 'tree', tree: label(form.tree), date }, specimen.what)
    draws.push({ kind: 'specimen-taken', version: 1, body, event_time, about: label(specimen.label), photos: hashes(specimen.photos) })
  }
  return draws
}

/** Lists that are empty are left out, as the program leaves them out. */
function compact(body: Record<string, unknown>): Record<string, unknown> {
  return Object.fromEntries(Object.entries(body).filter(([, value]) => !(Array.isArray(value) && value.length === 0)))
}
