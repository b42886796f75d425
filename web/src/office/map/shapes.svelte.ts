// Everything that the map draws as shapes, read together for one target and day.

import type { FeatureCollection } from 'geojson'
import { query } from '../../lib/api/client'
import { load, type Loaded } from '../../lib/ui/load.svelte'

export const SHAPES = ['zones', 'land', 'pathways', 'places', 'traps', 'finds'] as const
export type ShapeName = (typeof SHAPES)[number]
export type Shapes = Record<ShapeName, Loaded<FeatureCollection>>

export function readShapes(ask: () => { target: string | undefined; on: string }, wanted: readonly ShapeName[] = SHAPES): Shapes {
  const read = (name: ShapeName): Loaded<FeatureCollection> => load<FeatureCollection>(() => {
    const { target, on } = ask()
    return target === undefined || !wanted.includes(name) ? undefined : `/map/${name}.geojson${query({ target, on })}`
  }, { keep: true })
  return Object.fromEntries(SHAPES.map((name) => [name, read(name)])) as Shapes
}
