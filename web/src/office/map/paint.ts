// How the map is drawn: its layers, signs and hatches. Signs differ by shape first and by colour second.

import type { ExpressionSpecification, LayerSpecification } from 'maplibre-gl'

export const INK = '#1e211f'
export const PAPER = '#f7f4ec'
export const SPRUCE = '#14463a'

/** How old a trap's oldest clock is; `held` where somebody excused the crew. */
export const TRAP_STATES = ['fine', 'warn', 'fail', 'held'] as const
export type TrapState = (typeof TRAP_STATES)[number]
export const TRAP_COLOURS: Record<TrapState, string> = { fine: '#14463a', warn: '#d09a1e', fail: '#b02414', held: '#ffffff' }

type Draw = (c: OffscreenCanvasRenderingContext2D, size: number) => void

function sign(size: number, draw: Draw): ImageData | undefined {
  const context = new OffscreenCanvas(size, size).getContext('2d')
  if (context === null) return undefined
  draw(context, size)
  return context.getImageData(0, 0, size, size)
}

function shape(c: OffscreenCanvasRenderingContext2D, fill: string, path: () => void): void {
  c.lineJoin = 'round'
  c.beginPath()
  path()
  c.closePath()
  c.lineWidth = 7
  c.strokeStyle = '#fffdf8'
  c.stroke()
  c.fillStyle = fill
  c.fill()
  c.lineWidth = 2.5
  c.strokeStyle = INK
  c.stroke()
}

function trap(c: OffscreenCanvasRenderingContext2D, s: number, state: TrapState): void {
  const m = s / 2
  const r = s * 0.3
  const fill = TRAP_COLOURS[state]
  if (state === 'fine') shape(c, fill, () => c.arc(m, m, r * 0.8, 0, 7))
  if (state === 'held') {
    shape(c, fill, () => c.arc(m, m, r * 0.85, 0, 7))
    c.fillStyle = INK
    c.fillRect(m - r * 0.5, m - 2, r, 4)
  }
  if (state === 'warn') shape(c, fill, () => { c.moveTo(m, m - r); c.lineTo(m + r, m + r * 0.8); c.lineTo(m - r, m + r * 0.8) })
  if (state === 'fail') {
    shape(c, fill, () => c.rect(m - r * 0.9, m - r * 0.9, r * 1.8, r * 1.8))
    c.strokeStyle = '#fffdf8'
    c.lineWidth = 4
    c.beginPath()
    c.moveTo(m - r * 0.45, m - r * 0.45); c.lineTo(m + r * 0.45, m + r * 0.45)
    c.moveTo(m + r * 0.45, m - r * 0.45); c.lineTo(m - r * 0.45, m + r * 0.45)
    c.stroke()
  }
}

/** Diagonal lines every `gap` pixels; repeats without a seam. */
function hatch(size: number, gap: number, colour: string, width: number, both: boolean): ImageData | undefined {
  return sign(size, (c) => {
    c.strokeStyle = colour
    c.lineWidth = width
    c.beginPath()
    for (let x = -size; x <= 2 * size; x += gap) {
      c.moveTo(x, size + 1); c.lineTo(x + size + 1, 0)
      if (both) { c.moveTo(x, -1); c.lineTo(x + size + 1, size) }
    }
    c.stroke()
  })
}

/** Every picture the layers name, at two pixels to one. */
export function pictures(): [name: string, picture: ImageData][] {
  const all: [string, ImageData | undefined][] = [
    ...TRAP_STATES.map((state): [string, ImageData | undefined] => [`trap-${state}`, sign(48, (c, s) => trap(c, s, state))]),
    ['place', sign(32, (c, s) => shape(c, '#fffdf8', () => { const m = s / 2; const r = s * 0.26; c.moveTo(m, m - r); c.lineTo(m + r, m); c.lineTo(m, m + r); c.lineTo(m - r, m) }))],
    ['pathway', sign(44, (c, s) => shape(c, '#7a4b8c', () => { const m = s / 2; const r = s * 0.3; for (let i = 0; i < 5; i++) { const a = -Math.PI / 2 + (i * 2 * Math.PI) / 5; c.lineTo(m + r * Math.cos(a), m + r * Math.sin(a)) } }))],
    ['find', sign(60, (c, s) => shape(c, '#b02414', () => { const m = s / 2; for (let i = 0; i < 10; i++) { const r = s * (i % 2 === 0 ? 0.38 : 0.17); const a = -Math.PI / 2 + (i * Math.PI) / 5; c.lineTo(m + r * Math.cos(a), m + r * Math.sin(a)) } }))],
    ['spot', sign(52, (c, s) => { shape(c, SPRUCE, () => c.arc(s / 2, s / 2, s * 0.24, 0, 7)); c.fillStyle = '#fffdf8'; c.beginPath(); c.arc(s / 2, s / 2, s * 0.08, 0, 7); c.fill() })],
    ['spot-kept', sign(52, (c, s) => { shape(c, SPRUCE, () => c.rect(s * 0.28, s * 0.28, s * 0.44, s * 0.44)); c.fillStyle = '#fffdf8'; c.fillRect(s * 0.42, s * 0.42, s * 0.16, s * 0.16) })],
    ['spot-changed', sign(52, (c, s) => { shape(c, '#d09a1e', () => c.arc(s / 2, s / 2, s * 0.26, 0, 7)); c.fillStyle = INK; c.beginPath(); c.arc(s / 2, s / 2, s * 0.09, 0, 7); c.fill() })],
    ['spot-other', sign(52, (c, s) => shape(c, '#b0722c', () => { const m = s / 2; const r = s * 0.26; c.moveTo(m, m - r); c.lineTo(m + r, m + r * 0.8); c.lineTo(m - r, m + r * 0.8) }))],
    ['hatch-forbidden', hatch(16, 8, 'rgba(138,31,17,0.75)', 1.6, true)],
    ['hatch-usable', hatch(24, 12, 'rgba(20,70,58,0.28)', 1.2, false)],
    ['hatch-doubt', hatch(20, 10, 'rgba(30,33,31,0.32)', 1.1, false)],
  ]
  return all.filter((p): p is [string, ImageData] => p[1] !== undefined)
}

const words: { 'text-font': string[]; 'text-optional': boolean } = { 'text-font': ['Noto Sans', 'sans-serif'], 'text-optional': true }
const halo = { 'text-color': INK, 'text-halo-color': '#fffdf8', 'text-halo-width': 1.6 } as const
const state: ExpressionSpecification = ['case', ['to-boolean', ['get', 'held']], 'held', ['coalesce', ['get', 'level'], 'fine']]
const trapPicture: ExpressionSpecification = ['concat', 'trap-', state]
const size: ExpressionSpecification = ['interpolate', ['linear'], ['zoom'], 9, 0.35, 13, 0.7, 16, 1]
const isPoint: ExpressionSpecification = ['==', ['geometry-type'], 'Point']

/** All layers over the ground, lowest first. A layer belongs to the group before the first colon of its id. */
export const LAYERS: LayerSpecification[] = [
  { id: 'land:forbidden', type: 'fill', source: 'land', filter: ['==', ['get', 'rule'], 'forbidden'], paint: { 'fill-pattern': 'hatch-forbidden' } },
  { id: 'land:usable', type: 'fill', source: 'land', filter: ['!=', ['get', 'rule'], 'forbidden'], paint: { 'fill-pattern': 'hatch-usable' } },
  { id: 'land:line', type: 'line', source: 'land', paint: { 'line-color': ['case', ['==', ['get', 'rule'], 'forbidden'], '#8a1f11', SPRUCE], 'line-width': ['case', ['==', ['get', 'rule'], 'forbidden'], 1.2, 0.8], 'line-opacity': ['case', ['==', ['get', 'rule'], 'forbidden'], 1, 0.35] } },
  { id: 'zones:halo', type: 'line', source: 'zones', layout: { 'line-join': 'round' }, paint: { 'line-color': '#fffdf8', 'line-width': 5, 'line-opacity': 0.8 } },
  { id: 'zones:line', type: 'line', source: 'zones', layout: { 'line-join': 'round' }, paint: { 'line-color': INK, 'line-width': 2, 'line-dasharray': [4, 2] } },
  { id: 'places:sign', type: 'symbol', source: 'places', minzoom: 11, layout: { 'icon-image': 'place', 'icon-size': size, 'icon-allow-overlap': true, 'icon-ignore-placement': true }, paint: { 'icon-opacity': ['case', ['to-boolean', ['get', 'forbidden']], 0.45, 1] } },
  { id: 'pathways:line', type: 'line', source: 'pathways', filter: ['!', isPoint], paint: { 'line-color': '#7a4b8c', 'line-width': 3, 'line-dasharray': [1, 1] } },
  { id: 'pathways:sign', type: 'symbol', source: 'pathways', filter: isPoint, layout: { 'icon-image': 'pathway', 'icon-size': ['interpolate', ['linear'], ['zoom'], 9, 0.5, 15, 1], 'icon-allow-overlap': true, 'icon-ignore-placement': true } },
  // From afar many traps are dots: 25 000 signs a frame would be slow. What fails is drawn last and larger, so that it is seen.
  { id: 'traps:dots', type: 'circle', source: 'traps', maxzoom: 13, layout: { 'circle-sort-key': ['match', state, 'fail', 3, 'warn', 2, 'held', 1, 0] }, paint: {
    'circle-radius': ['interpolate', ['linear'], ['zoom'], 9, ['match', state, 'fail', 3.2, 'warn', 2.6, 1.8], 13, ['match', state, 'fail', 7, 'warn', 6, 4.5]],
    'circle-color': ['match', state, 'fail', TRAP_COLOURS.fail, 'warn', TRAP_COLOURS.warn, 'held', TRAP_COLOURS.held, TRAP_COLOURS.fine],
    'circle-stroke-color': ['match', state, 'held', INK, '#fffdf8'], 'circle-stroke-width': ['interpolate', ['linear'], ['zoom'], 9, 0.5, 13, 1.2],
  } },
  { id: 'traps:sign', type: 'symbol', source: 'traps', minzoom: 13, layout: { 'icon-image': trapPicture, 'icon-size': size, 'icon-allow-overlap': true, 'icon-ignore-placement': true } },
  { id: 'traps:words', type: 'symbol', source: 'traps', minzoom: 15, layout: { ...words, 'text-field': ['get', 'trap'], 'text-size': 12, 'text-offset': [0, 1.1], 'text-anchor': 'top' }, paint: halo },
  { id: 'spots:sign', type: 'symbol', source: 'spots', layout: { 'icon-image': ['match', ['get', 'look'], 'kept', 'spot-kept', 'changed', 'spot-changed', 'other', 'spot-other', 'spot'], 'icon-size': ['interpolate', ['linear'], ['zoom'], 9, 0.4, 13, 0.8, 16, 1], 'icon-allow-overlap': true, 'icon-ignore-placement': true } },
  { id: 'spots:words', type: 'symbol', source: 'spots', minzoom: 14, layout: { ...words, 'text-field': ['get', 'label'], 'text-size': 12, 'text-offset': [0, 1.1], 'text-anchor': 'top' }, paint: halo },
  { id: 'finds:sign', type: 'symbol', source: 'finds', layout: { 'icon-image': 'find', 'icon-size': ['interpolate', ['linear'], ['zoom'], 9, 0.6, 15, 1], 'icon-allow-overlap': true, 'icon-ignore-placement': true } },
  { id: 'zones:words', type: 'symbol', source: 'zone-names', layout: { ...words, 'text-field': ['get', 'label'], 'text-size': 15, 'text-allow-overlap': true, 'text-ignore-placement': true }, paint: { ...halo, 'text-halo-width': 2.4 } },
  { id: 'mark:ring', type: 'circle', source: 'mark', paint: { 'circle-radius': 15, 'circle-color': 'rgba(0,0,0,0)', 'circle-stroke-color': INK, 'circle-stroke-width': 3 } },
  { id: 'draw:fill', type: 'fill', source: 'draw', filter: ['==', ['geometry-type'], 'Polygon'], paint: { 'fill-color': SPRUCE, 'fill-opacity': 0.15 } },
  { id: 'draw:line', type: 'line', source: 'draw', filter: ['!', isPoint], paint: { 'line-color': SPRUCE, 'line-width': 3 } },
  { id: 'draw:corner', type: 'circle', source: 'draw', filter: isPoint, paint: { 'circle-radius': 6, 'circle-color': '#fffdf8', 'circle-stroke-color': SPRUCE, 'circle-stroke-width': 3 } },
]

export const DATA_SOURCES = ['land', 'zones', 'zone-names', 'places', 'pathways', 'traps', 'spots', 'finds', 'mark', 'draw'] as const
export type DataSource = (typeof DATA_SOURCES)[number]
/** What can be shown or hidden. */
export const GROUPS = ['cells', 'hosts', 'land', 'zones', 'places', 'pathways', 'traps', 'finds'] as const
export type Group = (typeof GROUPS)[number]
