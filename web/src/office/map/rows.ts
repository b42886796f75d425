// The map as rows: what its shapes say, in the columns a list shows.

import type { Feature, FeatureCollection } from 'geojson'
import { middle, type Picked } from './field-map'

export interface Row { key: string; layer: string; label: string; properties: Record<string, unknown>; at: [number, number]; text: string }

/** Columns of each kind's list, after the label. */
export const COLUMNS: Record<string, string[]> = {
  traps: ['zone', 'level', 'costs', 'clocks', 'last_look'], places: ['zone', 'trap', 'cost'], zones: [], land: ['rule', 'words'], pathways: ['kind', 'weight'],
  finds: ['target', 'day', 'trap'], cells: ['zone', 's', 's_low', 's_high', 'weight'], hosts: ['species', 'condition', 'dbh_cm'],
}

export function labelOf(properties: Record<string, unknown>): string {
  for (const name of ['label', 'specimen', 'trap', 'id', 'cell']) {
    const value = properties[name]
    if (value !== undefined && value !== null) return String(value)
  }
  return ''
}

const ORDER: Record<string, number> = { fail: 0, warn: 1, fine: 2 }
/** Traps that wait for somebody first, the dearest of them at the top. */
const urgent = (a: Row, b: Row): number => (ORDER[String(a.properties['level'])] ?? 3) - (ORDER[String(b.properties['level'])] ?? 3) || Number(b.properties['costs'] ?? 0) - Number(a.properties['costs'] ?? 0)

export function rows(layer: string, shapes: FeatureCollection): Row[] {
  const all = shapes.features.map((f: Feature, i) => row(layer, { layer, id: f.id, properties: f.properties ?? {}, at: middle(f.geometry) }, i))
  return layer === 'traps' ? all.sort(urgent) : all
}

export function row(layer: string, picked: Picked, i: number): Row {
  const label = labelOf(picked.properties)
  const text = [label, ...Object.values(picked.properties).map((v) => (Array.isArray(v) ? v.join(' ') : String(v)))].join(' ').toLowerCase()
  return { key: `${layer}-${label}-${i}`, layer, label, properties: picked.properties, at: picked.at, text }
}

/** The rows that hold every word of the search. */
export function search(all: Row[], words: string): Row[] {
  const parts = words.toLowerCase().split(/\s+/).filter((p) => p !== '')
  return parts.length === 0 ? all : all.filter((r) => parts.every((p) => r.text.includes(p)))
}
