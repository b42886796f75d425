// The map itself: MapLibre with our own quiet style, no ground from outside, fed by the server's tiles and shapes.

import * as maplibre from 'maplibre-gl'
import workerUrl from 'maplibre-gl/dist/maplibre-gl-worker.mjs?url'
import 'maplibre-gl/dist/maplibre-gl.css'
import type { Feature, FeatureCollection, Position } from 'geojson'
import { DATA_SOURCES, LAYERS, PAPER, pictures, type DataSource } from './paint'

// MapLibre 6 keeps its worker in a file of its own; the bundler would lose it (and blob workers are forbidden by our headers).
maplibre.setWorkerUrl(workerUrl)

export type Expression = maplibre.ExpressionSpecification
export type Filter = maplibre.FilterSpecification
export interface Camera { center: [number, number]; zoom: number }
export interface Picked { layer: string; id: string | number | undefined; properties: Record<string, unknown>; at: [number, number] }
export interface Surface { tiles: string; colour: Expression; opacity: Expression | number; doubt?: Filter }
export interface Handlers {
  onpick?: (picked: Picked[], at: [number, number]) => void
  oncamera?: (camera: Camera) => void
  /** A spot taken by the pointer: while it moves and, last, when it is let go. */
  ondrag?: (label: string, at: [number, number], dropped: boolean) => void
  ontrouble?: (words: string) => void
  /** All that was asked for is drawn. */
  onidle?: () => void
}
export type Words = Partial<Record<'title' | 'in' | 'out' | 'm' | 'km' | 'ft' | 'mi', string>>

export const EMPTY: FeatureCollection = { type: 'FeatureCollection', features: [] }

export class FieldMap {
  readonly map: maplibre.Map
  readonly #handlers: Handlers
  readonly #scale: maplibre.ScaleControl
  #ready = false
  #waiting: (() => void)[] = []
  #recoloured = new Set<number>()
  #quiet = false
  #surface: Surface | undefined
  draggable = false

  constructor(container: HTMLElement, bounds: [number, number, number, number], handlers: Handlers, words: Words = {}, units: 'metric' | 'us' = 'metric') {
    this.#handlers = handlers
    this.map = new maplibre.Map({
      container, bounds, fitBoundsOptions: { padding: 24 }, attributionControl: false, dragRotate: false, pitchWithRotate: false, touchPitch: false,
      maxZoom: 19, fadeDuration: 0, rollEnabled: false,
      locale: { 'Map.Title': words.title ?? 'Map', 'NavigationControl.ZoomIn': words.in ?? '+', 'NavigationControl.ZoomOut': words.out ?? '-' },
      style: { version: 8, sources: {}, layers: [{ id: 'ground', type: 'background', paint: { 'background-color': PAPER } }] },
    })
    this.map.touchZoomRotate.disableRotation()
    this.map.keyboard.disableRotation()
    this.map.addControl(new maplibre.NavigationControl({ showCompass: false }), 'top-right')
    this.#scale = new maplibre.ScaleControl({ unit: units === 'us' ? 'imperial' : 'metric' })
    this.map.addControl(this.#scale, 'bottom-left')
    this.map.on('load', () => this.#begin())
    this.map.on('click', (event) => this.#pick(event))
    this.map.on('move', () => {
      if (!this.#quiet) handlers.oncamera?.(this.camera)
    })
    this.map.on('error', (event) => handlers.ontrouble?.(event.error?.message ?? 'the map could not be drawn'))
    if (handlers.onidle) this.map.on('idle', handlers.onidle)
    this.#dragging()
  }

  get camera(): Camera {
    const c = this.map.getCenter()
    return { center: [c.lng, c.lat], zoom: this.map.getZoom() }
  }

  /** Follows another map without telling it back. */
  follow(camera: Camera): void {
    this.#quiet = true
    this.map.jumpTo(camera)
    this.#quiet = false
  }

  fly(at: [number, number], zoom = Math.max(15, this.map.getZoom())): void {
    this.map.easeTo({ center: at, zoom, duration: matchMedia('(prefers-reduced-motion: reduce)').matches ? 0 : 400 })
  }

  fit(bounds: [number, number, number, number]): void {
    this.map.resize()
    this.map.fitBounds(bounds, { padding: 32, duration: 0 })
  }

  units(units: 'metric' | 'us'): void {
    this.#scale.setUnit(units === 'us' ? 'imperial' : 'metric')
  }

  data(source: DataSource, shapes: FeatureCollection): void {
    this.#when(() => {
      this.map.getSource<maplibre.GeoJSONSource>(source)?.setData(shapes)
      if (source === 'zones') this.map.getSource<maplibre.GeoJSONSource>('zone-names')?.setData(names(shapes))
    })
  }

  show(group: string, visible: boolean): void {
    this.#when(() => {
      for (const layer of this.map.getStyle().layers) {
        if (layer.id.split(':')[0] === group) this.map.setLayoutProperty(layer.id, 'visibility', visible ? 'visible' : 'none')
      }
    })
  }

  filter(group: string, filter: Filter | null): void {
    this.#when(() => {
      for (const layer of LAYERS) if (layer.id.split(':')[0] === group) this.map.setFilter(layer.id, filter)
    })
  }

  /** The cells' surface. Other tiles take the place of the older ones; a new colour alone keeps them. */
  surface(surface: Surface | undefined): void {
    this.#when(() => {
      if (surface?.tiles !== this.#surface?.tiles) this.#replaceCells(surface)
      else if (surface !== undefined) {
        this.map.setPaintProperty('cells:fill', 'fill-color', surface.colour)
        this.map.setPaintProperty('cells:fill', 'fill-opacity', surface.opacity)
        this.map.setFilter('cells:doubt', surface.doubt ?? ['literal', false])
      }
      this.#surface = surface
    })
  }

  hosts(tiles: string | undefined): void {
    this.#when(() => {
      if (this.map.getLayer('hosts:dots')) this.map.removeLayer('hosts:dots')
      if (this.map.getSource('hosts')) this.map.removeSource('hosts')
      if (tiles === undefined) return
      this.map.addSource('hosts', { type: 'vector', tiles: [tiles], minzoom: 8, maxzoom: 16 })
      this.map.addLayer({
        id: 'hosts:dots', type: 'circle', source: 'hosts', 'source-layer': 'hosts',
        paint: {
          'circle-radius': ['interpolate', ['linear'], ['zoom'], 9, ['min', 3, ['+', 0.8, ['*', 0.35, ['ln', ['+', 1, ['coalesce', ['get', 'n'], 1]]]]]], 16, 4],
          'circle-color': ['match', ['coalesce', ['get', 'condition'], ''], 'dead', '#6f675a', 'declining', '#8a7a3c', '#5b8a5a'],
          'circle-opacity': 0.75,
        },
      }, 'zones:halo')
    })
  }

  /** Gives cells another value for as long as the thought lasts: [cell, value]. */
  recolour(cells: [number, number][]): void {
    this.#when(() => {
      if (!this.map.getSource('cells')) return
      const now = new Set(cells.map(([cell]) => cell))
      for (const cell of this.#recoloured) if (!now.has(cell)) this.map.removeFeatureState({ source: 'cells', sourceLayer: 'cells', id: cell }, 's')
      for (const [cell, s] of cells) this.map.setFeatureState({ source: 'cells', sourceLayer: 'cells', id: cell }, { s })
      this.#recoloured = now
    })
  }

  /** What is drawn now of a tiled layer, each thing once. */
  inView(source: 'cells' | 'hosts'): Picked[] {
    if (!this.#ready || !this.map.getLayer(source === 'cells' ? 'cells:fill' : 'hosts:dots')) return []
    const seen = new Map<string, Picked>()
    for (const f of this.map.queryRenderedFeatures({ layers: [source === 'cells' ? 'cells:fill' : 'hosts:dots'] })) {
      const picked = asPicked(f)
      const key = String(f.properties['cell'] ?? f.properties['label'] ?? `${picked.at}`)
      if (!seen.has(key)) seen.set(key, picked)
    }
    return [...seen.values()]
  }

  mark(at: [number, number] | undefined): void {
    this.data('mark', at === undefined ? EMPTY : { type: 'FeatureCollection', features: [{ type: 'Feature', properties: {}, geometry: { type: 'Point', coordinates: at } }] })
  }

  cursor(cursor: string): void {
    this.map.getCanvas().style.cursor = cursor
  }

  destroy(): void {
    this.map.remove()
  }

  #when(f: () => void): void {
    if (this.#ready) f()
    else this.#waiting.push(f)
  }

  #begin(): void {
    for (const [name, picture] of pictures()) this.map.addImage(name, picture, { pixelRatio: 2 })
    for (const source of DATA_SOURCES) this.map.addSource(source, { type: 'geojson', data: EMPTY, ...(source === 'traps' ? { tolerance: 0, maxzoom: 14 } : {}) })
    for (const layer of LAYERS) this.map.addLayer(layer)
    this.#ready = true
    for (const f of this.#waiting) f()
    this.#waiting = []
  }

  #replaceCells(surface: Surface | undefined): void {
    for (const id of ['cells:fill', 'cells:doubt']) if (this.map.getLayer(id)) this.map.removeLayer(id)
    if (this.map.getSource('cells')) this.map.removeSource('cells')
    this.#recoloured.clear()
    if (surface === undefined) return
    this.map.addSource('cells', { type: 'vector', tiles: [surface.tiles], minzoom: 6, maxzoom: 14, promoteId: { cells: 'cell' } })
    this.map.addLayer({ id: 'cells:fill', type: 'fill', source: 'cells', 'source-layer': 'cells', paint: { 'fill-color': surface.colour, 'fill-opacity': surface.opacity, 'fill-antialias': false } }, 'land:forbidden')
    this.map.addLayer({ id: 'cells:doubt', type: 'fill', source: 'cells', 'source-layer': 'cells', filter: surface.doubt ?? ['literal', false], paint: { 'fill-pattern': 'hatch-doubt' } }, 'land:forbidden')
  }

  #pick(event: maplibre.MapMouseEvent): void {
    if (!this.#handlers.onpick) return
    const { x, y } = event.point
    const near: [maplibre.PointLike, maplibre.PointLike] = [[x - 6, y - 6], [x + 6, y + 6]]
    const groups = ['finds', 'spots', 'traps', 'pathways', 'places', 'hosts', 'land', 'zones', 'cells']
    const layers = this.#ready ? this.map.getStyle().layers.map((l) => l.id).filter((id) => groups.includes(id.split(':')[0] ?? '') && id !== 'zones:halo') : []
    const points = layers.filter((id) => !/^(cells|land|zones)/.test(id))
    const found = [
      ...this.map.queryRenderedFeatures(near, { layers: points }),
      ...this.map.queryRenderedFeatures(event.point, { layers: layers.filter((id) => /^(cells:fill|land:[fu])/.test(id)) }),
    ].map(asPicked)
    found.sort((a, b) => groups.indexOf(a.layer) - groups.indexOf(b.layer))
    this.#handlers.onpick(found, [event.lngLat.lng, event.lngLat.lat])
  }

  /** Takes a spot with mouse or finger; the map stays while it is moved. */
  #dragging(): void {
    const map = this.map
    let taken: string | undefined
    let moved = false
    const move = (event: maplibre.MapMouseEvent | maplibre.MapTouchEvent): void => {
      if (taken === undefined) return
      moved = true
      this.#handlers.ondrag?.(taken, [event.lngLat.lng, event.lngLat.lat], false)
    }
    const drop = (event: maplibre.MapMouseEvent | maplibre.MapTouchEvent): void => {
      if (taken !== undefined && moved) this.#handlers.ondrag?.(taken, [event.lngLat.lng, event.lngLat.lat], true)
      taken = undefined
      map.dragPan.enable()
      map.off('mousemove', move)
      map.off('touchmove', move)
    }
    const take = (event: maplibre.MapLayerMouseEvent | maplibre.MapLayerTouchEvent): void => {
      const label = event.features?.[0]?.properties['label'] as string | undefined
      if (!this.draggable || label === undefined || !this.#handlers.ondrag) return
      event.preventDefault()
      map.dragPan.disable()
      taken = label
      moved = false
      map.on('mousemove', move)
      map.on('touchmove', move)
      map.once('mouseup', drop)
      map.once('touchend', drop)
    }
    map.on('mousedown', 'spots:sign', take)
    map.on('touchstart', 'spots:sign', (event) => {
      if (event.points.length === 1) take(event)
    })
    map.on('mouseenter', 'spots:sign', () => {
      if (this.draggable) this.cursor('grab')
    })
    map.on('mouseleave', 'spots:sign', () => {
      if (this.draggable && taken === undefined) this.cursor('')
    })
  }
}

function asPicked(f: maplibre.MapGeoJSONFeature): Picked {
  return { layer: f.layer.id.split(':')[0] ?? '', id: f.id, properties: f.properties, at: middle(f.geometry as Feature['geometry']) }
}

function rings(g: Feature['geometry']): Position[][] {
  if (g.type === 'Polygon') return g.coordinates
  if (g.type === 'MultiPolygon') return g.coordinates.flat()
  return []
}

/** A point to stand for a shape: itself, or the middle of its widest ring. */
export function middle(g: Feature['geometry']): [number, number] {
  if (g.type === 'Point') return [g.coordinates[0] ?? 0, g.coordinates[1] ?? 0]
  const all = g.type === 'LineString' ? g.coordinates : g.type === 'MultiPoint' ? g.coordinates : g.type === 'MultiLineString' ? g.coordinates.flat() : rings(g).reduce((a, b) => (size(b) > size(a) ? b : a), [] as Position[])
  const [w, s, e, n] = box(all)
  return [(w + e) / 2, (s + n) / 2]
}

const size = (ring: Position[]): number => {
  const [w, s, e, n] = box(ring)
  return ring.length === 0 ? -1 : (e - w) * (n - s)
}

export function box(points: Position[]): [number, number, number, number] {
  let [w, s, e, n] = [Infinity, Infinity, -Infinity, -Infinity]
  for (const [x = 0, y = 0] of points) {
    w = Math.min(w, x); e = Math.max(e, x); s = Math.min(s, y); n = Math.max(n, y)
  }
  return [w, s, e, n]
}

function names(zones: FeatureCollection): FeatureCollection {
  return { type: 'FeatureCollection', features: zones.features.map((f) => ({ type: 'Feature', properties: { label: f.properties?.['label'] as unknown }, geometry: { type: 'Point', coordinates: middle(f.geometry) } })) }
}
