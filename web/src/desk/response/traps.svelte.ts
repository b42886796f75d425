// Where traps of a target hang, for the small maps: as the large map reads them.

import { query } from '../../lib/api/client'
import { session } from '../../lib/session.svelte'
import { load, type Loaded } from '../../lib/ui/load.svelte'
import type { MarkPoint } from './ground'

interface Traps { features: { geometry: { coordinates: [lon: number, lat: number] } | null; properties: { trap?: string } }[] }

export class HangingTraps {
  readonly #loaded: Loaded<Traps>

  constructor(loaded: Loaded<Traps>) {
    this.#loaded = loaded
  }

  get points(): MarkPoint[] {
    return (this.#loaded.value?.features ?? []).flatMap(({ geometry, properties }) => (geometry === null ? [] : [{ lon: geometry.coordinates[0], lat: geometry.coordinates[1], ...(properties.trap === undefined ? {} : { words: properties.trap }) }]))
  }

  named(labels: readonly string[]): MarkPoint[] {
    return this.points.filter((p) => p.words !== undefined && labels.includes(p.words))
  }
}

/** In a component's script. A map without them still shows what it is about, so a failure is not told. */
export function hangingTraps(target: () => string): HangingTraps {
  return new HangingTraps(load<Traps>(() => `/map/traps.geojson${query({ target: target(), on: session.me?.today })}`, { keep: true, follow: false }))
}
