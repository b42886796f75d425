// The body of an entry "tree-inspected" from what was typed, and what is wrong with it.

import { w } from '../../lib/i18n'
import { settings } from '../../lib/settings.svelte'
import { type Faults, faults, figure, given, labels, rules } from '../parts/form.svelte'

export interface SignTyped { key: number; sign: string; count: string; low: string; high: string; shape: string; patch: string; height: string; fresh: '' | 'yes' | 'no'; note: string }
export interface BranchTyped { key: number; label: string; height: string; base: string; length: string; peeled: string; found: 'positive' | 'negative' | 'not-done'; specimens: string }
export interface ClassTyped { scale: string; version: string; class: string; of: string }
export interface LookTyped {
  tree: string; host: string; species: string; sure: 'sure' | 'probable' | 'unknown'; lat: string; lon: string; accuracy: string; dbh: string; setting: string
  date: string; crew: string; from: string; parts: string[]; looked: 'fully' | 'partly' | 'no'; why: string; leaf: string; minutes: string
  noneFound: boolean; signs: SignTyped[]; branches: BranchTyped[]; crown: ClassTyped; borer: ClassTyped; specimens: string; action: string; nextLook: string
}

const empty = (): ClassTyped => ({ scale: '', version: '1', class: '', of: '5' })

export function blank(today: string): LookTyped {
  return {
    tree: '', host: '', species: '', sure: 'unknown', lat: '', lon: '', accuracy: '', dbh: '', setting: '', date: today, crew: '', from: 'ground', parts: [],
    looked: 'fully', why: '', leaf: 'in-leaf', minutes: '', noneFound: false, signs: [], branches: [], crown: empty(), borer: { ...empty(), of: '4' }, specimens: '', action: '', nextLook: '',
  }
}

const us = (): boolean => settings.units === 'us'
const rounded = (value: number, to: number): number => Math.round(value / to) * to
const tidy = (value: number): number => Number(value.toPrecision(12))

/** Trunk diameter or branch size as typed, in cm. */
export function cm(typed: string): number | undefined {
  const value = figure(typed)
  return value === undefined ? undefined : us() ? tidy(rounded(value * 2.54, 0.1)) : value
}

/** A height as typed, in metres. */
export function metres(typed: string): number | undefined {
  const value = figure(typed)
  return value === undefined ? undefined : us() ? tidy(rounded(value * 0.3048, 0.01)) : value
}

function signFaults(sign: SignTyped, i: number): Record<string, string | undefined> {
  const low = figure(sign.low)
  const high = figure(sign.high)
  return {
    [`sign-${i}-count`]: rules.whole(sign.count, 1, false),
    [`sign-${i}-low`]: rules.figure(sign.low, 0.01, 1000) ?? (high !== undefined && low !== undefined && low > high ? w().desk.trees.lowAboveHigh : undefined),
    [`sign-${i}-high`]: rules.figure(sign.high, 0.01, 1000),
    [`sign-${i}-patch`]: rules.figure(sign.patch, 0.0001, 1000),
    [`sign-${i}-height`]: rules.figure(sign.height, 0, us() ? 400 : 120),
    [`sign-${i}-note`]: sign.sign === 'other' ? rules.words(sign.note) : undefined,
  }
}

function classFaults(name: string, typed: ClassTyped): Record<string, string | undefined> {
  if (typed.scale.trim() === '' && typed.class.trim() === '') return {}
  const of = figure(typed.of) ?? 0
  return {
    [`${name}-scale`]: rules.label(typed.scale), [`${name}-version`]: rules.whole(typed.version, 1), [`${name}-of`]: rules.whole(typed.of, 2),
    [`${name}-class`]: rules.whole(typed.class, 1) ?? ((figure(typed.class) ?? 0) > of ? w().desk.form.between(1, of) : undefined),
  }
}

export function wrong(look: LookTyped, today: string | undefined): Faults {
  const t = w().desk.trees
  const notLooked = look.looked === 'no'
  const all: Record<string, string | undefined> = {
    tree: rules.label(look.tree),
    species: look.sure === 'unknown' ? (given(look.species) === undefined ? undefined : t.sayHowSure) : rules.words(look.species),
    lat: rules.figure(look.lat, -90, 90) ?? (given(look.lat) === undefined && given(look.lon) !== undefined ? w().desk.form.needed : undefined),
    lon: rules.figure(look.lon, -180, 180) ?? (given(look.lon) === undefined && given(look.lat) !== undefined ? w().desk.form.needed : undefined),
    position_accuracy_m: rules.figure(look.accuracy, 0, 10_000) ?? (given(look.accuracy) !== undefined && given(look.lat) === undefined ? t.accuracyOfWhat : undefined),
    dbh_cm: rules.figure(look.dbh, 0.1, us() ? 590 : 1500),
    date: rules.day(look.date, today),
    next_look: look.nextLook !== '' && look.nextLook < look.date ? t.nextBefore : undefined,
    why_not: look.looked === 'fully' ? undefined : rules.words(look.why),
    minutes: rules.whole(look.minutes, 0, false) ?? rules.figure(look.minutes, 0, 1440),
    parts: !notLooked && look.parts.length === 0 ? t.sayWhat : undefined,
  }
  if (!notLooked) {
    all['none_found'] = look.signs.length === 0 && !look.noneFound ? t.sayNone : look.signs.length > 0 && look.noneFound ? t.notBoth : undefined
    if (look.noneFound && look.branches.some((b) => b.found === 'positive')) all['none_found'] = t.branchPositive
    look.signs.forEach((sign, i) => Object.assign(all, signFaults(sign, i)))
    look.branches.forEach((b, i) => Object.assign(all, {
      [`branch-${i}-label`]: rules.label(b.label),
      [`branch-${i}-peeled`]: b.found === 'not-done' ? undefined : given(b.peeled) === undefined ? w().desk.form.needed : rules.figure(b.peeled, 0.1, 10_000),
    }))
    Object.assign(all, classFaults('crown', look.crown), classFaults('borer', look.borer))
  }
  return faults(all)
}

function severity(typed: ClassTyped): object | undefined {
  if (given(typed.scale) === undefined) return undefined
  return { scale: typed.scale.trim(), scale_version: figure(typed.version), class: figure(typed.class), of: figure(typed.of) }
}

function signBody(s: SignTyped): object {
  const low = figure(s.low)
  const high = figure(s.high)
  const size = low === undefined && high === undefined ? undefined : [low ?? high, high ?? low]
  return {
    sign: s.sign, count: figure(s.count), size_mm: size, shape: s.sign === 'hole' ? given(s.shape) : undefined, patch_m2: figure(s.patch),
    height_m: metres(s.height), fresh: s.fresh === '' ? undefined : s.fresh === 'yes', note: given(s.note),
  }
}

/** Only what was said. A tree that was not looked at has no parts, signs, classes or samples. */
export function body(look: LookTyped, photos: object[]): object {
  const lat = figure(look.lat)
  const lon = figure(look.lon)
  const common = {
    tree: look.tree.trim(), host: given(look.host), species: given(look.species), species_sure: look.sure,
    position: lat === undefined || lon === undefined ? undefined : { lat, lon }, position_accuracy_m: figure(look.accuracy),
    dbh_cm: cm(look.dbh), setting: given(look.setting), date: look.date, crew: given(look.crew), from: look.from, looked: look.looked,
    why_not: look.looked === 'fully' ? undefined : given(look.why), leaf: look.leaf, minutes: figure(look.minutes), photos, action: given(look.action),
    next_look: look.nextLook === '' ? undefined : look.nextLook,
  }
  if (look.looked === 'no') return { ...common, none_found: false }
  return {
    ...common, parts: look.parts, none_found: look.signs.length === 0 && look.noneFound, signs: look.signs.map(signBody),
    crown: severity(look.crown), borer: severity(look.borer), specimens: labels(look.specimens),
    branch_samples: look.branches.map((b) => ({
      label: b.label.trim(), height_m: metres(b.height), base_cm: cm(b.base), length_cm: cm(b.length), peeled_cm: b.found === 'not-done' ? 0 : cm(b.peeled),
      found: b.found, specimens: labels(b.specimens),
    })),
  }
}
