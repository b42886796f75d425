import { beforeAll, describe, expect, it, vi } from 'vitest'
import type { JournalRow } from '../../lib/api/types'
import { bounds } from '../parts/minimap'
import { bodies, callOf, hoursAfter, momentOf, unplacedOf, versionsOf } from './case'
import { atFinds, bareGround, cellShapes, circle, findPoints, polygonsIn, surveyMarks, together } from './ground'
import { givenItems, ITEMS, plainText, standingOf } from './items'
import type { AreaDrawn, Delimiting, Find, OriginCell, ReportDraft } from './shapes'

// Settings look at the browser; here there is none.
beforeAll(() => {
  vi.stubGlobal('localStorage', { getItem: () => null, setItem: () => undefined })
  vi.stubGlobal('navigator', { language: 'en-GB' })
})

const find = (label: string, position: Find['position']): Find => ({ label, position, target: 't', taken: '2026-05-04', confirmed: '2026-05-06T09:00:00Z', by: 'p-1', count: 1 })
const area = (version: number, more: Partial<AreaDrawn> = {}): AreaDrawn => ({ find: 'S-1', version, from: '2026-05-06', authority: 'an office', reason: 'r', km2: version, finds: ['S-1'], ...more })

describe('a find\'s calls', () => {
  it('keep blanks, colons and slashes of its label', () => {
    expect(callOf('trap:T-1 2026-05-04', '/area')).toBe('/responses/trap%3AT-1%202026-05-04/area')
    expect(callOf('a/b')).toBe('/responses/a%2Fb')
  })
})

describe('the versions of an area', () => {
  it('stand the newest first, and only the newest can hold', () => {
    const all = versionsOf([area(1), area(3), area(2)], [{ find: 'S-1', version: 1, from: '2026-06-01', authority: 'a', reason: 'too small' }])
    expect(all.map((v) => [v.version, v.state])).toEqual([[3, 'holds'], [2, 'replaced'], [1, 'lifted']])
    expect(all[2]?.lifted?.reason).toBe('too small')
    expect(versionsOf([area(1)], [{ find: 'S-1', version: 1, from: '2026-06-01', authority: 'a', reason: 'r' }])[0]?.state).toBe('lifted')
    expect(versionsOf([], [])).toEqual([])
  })
  it('are those of the find alone, without what was withdrawn', () => {
    const row = (body: unknown, withdrawn?: string): JournalRow & { withdrawn_by?: string } => ({ entry: 'e', device: 'd', number: 1, at: '', recorded: '', person: 'p', kind: 'area-drawn', version: 1, words: '', subjects: [], body, signed: true, ...(withdrawn === undefined ? {} : { withdrawn_by: withdrawn }) })
    expect(bodies<AreaDrawn>([row(area(1)), row(area(2), 'x'), row(area(9, { find: 'S-10' }))], 'S-1').map((a) => a.version)).toEqual([1])
    expect(bodies(undefined, 'S-1')).toEqual([])
  })
})

describe('times', () => {
  it('of a notice are told from the confirmation', () => {
    expect(hoursAfter('2026-05-06T09:00:00Z', '2026-05-07T09:00:00Z')).toBe(24)
    expect(momentOf('')).toBeUndefined()
    expect(momentOf('soon')).toBeUndefined()
    expect(Date.parse(momentOf('2026-05-06T09:30') ?? '')).toBe(new Date(2026, 4, 6, 9, 30).getTime())
  })
})

describe('ground', () => {
  it('of a circle reaches as far north as east', () => {
    const box = bounds([], { type: 'FeatureCollection', features: [{ geometry: circle({ lat: 60, lon: 10 }, 5_000) }] })
    const [high, wide] = [(box?.north ?? 0) - (box?.south ?? 0), (box?.east ?? 0) - (box?.west ?? 0)]
    expect(high).toBeCloseTo(wide * Math.cos(Math.PI / 3), 1)
    expect(high).toBeGreaterThan(2 * 5_000 / 111_320)
  })
  it('is drawn of finds with a position alone', () => {
    const finds = [find('a', null), find('b', { lat: 1, lon: 2 }), find('c', undefined), find('d', { lat: 3, lon: 4 })]
    expect(findPoints(finds).map((p) => p.words)).toEqual(['b, 2026-05-04', 'd, 2026-05-04'])
    expect(bareGround(finds, 100).features).toHaveLength(2)
    expect([...atFinds(finds, [10, null])]).toEqual([['b', 10], ['d', null]])
    expect([...atFinds(finds, [])]).toEqual([])
  })
  it('of the two regions does not overlap', () => {
    const cell = (in50: boolean, in95: boolean): OriginCell => ({ cell: 'c', corners: [{ lat: 1, lon: 1 }, { lat: 1, lon: 2 }, { lat: 2, lon: 2 }], probability: 0.1, in50, in95 })
    const cells = [cell(true, true), cell(false, true), cell(false, false)]
    expect(cellShapes(cells, true).features).toHaveLength(1)
    expect(cellShapes(cells, false).features).toHaveLength(1)
    expect(cellShapes(cells, true).features?.[0]?.geometry?.coordinates).toEqual([[[1, 1], [2, 1], [2, 2], [1, 1]]])
  })
  it('of all layers is one', () => {
    const shapes = { type: 'Polygon', coordinates: [[[0, 0], [1, 0], [1, 1], [0, 0]]] }
    expect(together([{ look: 'holds', words: '', shapes }, { look: 'bare', words: '', shapes: bareGround([find('a', { lat: 1, lon: 1 })], 9) }]).features).toHaveLength(2)
  })
  it('that somebody gives is counted in polygons', () => {
    expect(polygonsIn({ type: 'FeatureCollection', features: [{ type: 'Feature', geometry: { type: 'Polygon', coordinates: [] } }, { type: 'Feature', geometry: { type: 'MultiPolygon', coordinates: [[], []] } }, { type: 'Feature', geometry: null }] })).toBe(3)
    for (const none of [undefined, null, 'x', [], {}, { type: 'Point', coordinates: [1, 2] }, { type: 'Polygon' }, { type: 'FeatureCollection', features: 3 }]) expect(polygonsIn(none)).toBe(0)
  })
})

describe('a survey', () => {
  const words = { r1: 'one', r2: 'two', r3: 'out', look: 'look' }
  it('is shown by ring; no ring is outside', () => {
    const spot = (place: string, ring: number) => ({ place, ring, position: { lat: 1, lon: 1 } })
    const marks = surveyMarks([spot('a', 1), spot('b', 2), spot('c', 0), spot('d', 5)], [], words)
    expect(marks.map((m) => [m.look, m.points.map((p) => p.words)])).toEqual([['r1', ['a']], ['r2', ['b']], ['r3', ['c', 'd']]])
  })
  it('counts what found no place by ring and reason', () => {
    const unplaced = [[1, 'water'], [2, 'water'], [1, 'water'], [1, 'too near a host']].map(([ring, why]) => ({ ring, why, position: { lat: 0, lon: 0 } }))
    expect(unplacedOf({ unplaced } as unknown as Delimiting)).toEqual([{ ring: 1, why: 'water', count: 2 }, { ring: 1, why: 'too near a host', count: 1 }, { ring: 2, why: 'water', count: 1 }])
  })
})

describe('a pest report', () => {
  const draft = { version: 2, items: [{ item: 'pest', what: '', text: 'x' }, { item: 'map', what: '', text: 'y' }], missing: ['danger'], changed: ['map'] } as unknown as ReportDraft
  it('says of each item how it stands', () => {
    expect(ITEMS).toHaveLength(10)
    expect(['danger', 'purpose', 'map', 'pest'].map((id) => standingOf(draft, id))).toEqual(['missing', 'may-lack', 'changed', 'same'])
  })
  it('takes only words that say something', () => {
    expect(givenItems([['danger', ' near \n'], ['purpose', '  ']])).toEqual({ danger: 'near' })
  })
  it('is plain text with its head, and unknown items keep the server\'s words', () => {
    const text = plainText({ version: 1, date: '2026-05-07', preliminary: true, to: 'an office', missing: [], items: [{ item: 'pest', what: 'scientific name', text: 'Agrilus' }, { item: 'new', what: 'something new', text: 'z' }] }, ['Pest report', '', 'to an office'], { pest: 'Pest' })
    expect(text).toBe('Pest report\nto an office\n\nPest\nAgrilus\n\nsomething new\nz')
  })
})

describe('areas', () => {
  it('are read in the person\'s units, small ones in small units', async () => {
    const { settings } = await import('../../lib/settings.svelte')
    const { ground } = await import('../../lib/units')
    settings.units = 'metric'
    expect([ground(10_776), ground(999_000), ground(14_350_207), ground(0)]).toEqual(['1.1 ha', '99.9 ha', '14.35 km²', '0.0 ha'])
    settings.units = 'us'
    expect([ground(4_046.8564224), ground(1_609.344 ** 2)]).toEqual(['1.0 acres', '1.00 mi²'])
    settings.units = 'metric'
  })
})
