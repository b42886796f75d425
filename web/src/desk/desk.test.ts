// The desk's pure parts.

import { beforeAll, describe, expect, it, vi } from 'vitest'

// Settings look at the browser; here there is none.
beforeAll(() => {
  vi.stubGlobal('localStorage', { getItem: () => null, setItem: () => undefined })
  vi.stubGlobal('navigator', { language: 'en-GB' })
})

describe('series of numbers', () => {
  it('counts on with leading noughts and refuses what is no series', async () => {
    const { series } = await import('./bench/series')
    expect(series('26-', '98', '3', '4').labels).toEqual(['26-0098', '26-0099', '26-0100'])
    expect(series('26-', '9999', '2', '4').labels).toEqual(['26-9999', '26-10000'])
    expect(series('2 6', '1', '3', '4').fault).toBe('prefix')
    expect(series('', 'x', '3', '4').fault).toBe('first')
    expect(series('', '1', '501', '4').fault).toBe('count')
    expect(series('', '1', '3', '0').fault).toBe('digits')
  })
})

describe('csv', () => {
  it('quotes, and lets no cell become a formula', async () => {
    const { csv } = await import('./parts/words')
    const text = await csv(['a', 'b'], [['x,"y"', '=1+1'], [3, '-7.5'], [undefined, '-cmd']]).text()
    expect(text.split('\r\n').slice(1)).toEqual(['"x,""y""",\'=1+1', '3,-7.5', ',\'-cmd', ''])
  })
})

describe('a proposal', () => {
  it('follows from what was said and who was asked', async () => {
    const { propose } = await import('./bench/propose')
    const bare = { specimen: 'S', taken: '2026-05-01', taken_by: 'p', state: 'held', photos: [], opinions: [], custody: [], screenings: [], children: [], next_moves: [] }
    const said = (status: string) => ({ ...bare, opinions: [{ entry: 'e', by: 'p', on: '2026-05-01', taxon: 't', status, authority: false }] })
    expect(propose(bare, undefined, 'me')).toEqual(['screen', 'determine'])
    expect(propose(bare, { to: 'me' }, 'me')).toEqual(['accept'])
    expect(propose(bare, { to: 'you' }, 'me')).toEqual(['wait'])
    expect(propose(said('suspect'), undefined, 'me')).toEqual(['confirm'])
    expect(propose(said('ruled-out'), undefined, 'me')).toEqual(['finish'])
    expect(propose({ ...said('confirmed'), custody: [{ entry: 'e', at: '2026-05-01T00:00:00Z', what: 'ended', words: '' }] }, undefined, 'me')).toEqual([])
  })
})

describe('a look at a tree', () => {
  it('never says "none" of a tree that was not looked at', async () => {
    const { blank, body, wrong } = await import('./trees/look')
    const look = { ...blank('2026-05-29'), tree: 'A-1', looked: 'no' as const, why: 'gate locked', noneFound: true, parts: ['base'] }
    expect(wrong(look, '2026-05-29')).toEqual({})
    expect(body(look, [])).toMatchObject({ looked: 'no', none_found: false, why_not: 'gate locked' })
    expect(Object.keys(body(look, []))).not.toContain('parts')
  })
  it('asks for signs or a plain none', async () => {
    const { blank, wrong } = await import('./trees/look')
    const look = { ...blank('2026-05-29'), tree: 'A-1', parts: ['base'] }
    expect(Object.keys(wrong(look, '2026-05-29'))).toEqual(['none_found'])
    expect(wrong({ ...look, noneFound: true }, '2026-05-29')).toEqual({})
    expect(Object.keys(wrong({ ...look, noneFound: true, date: '2026-05-30' }, '2026-05-29'))).toEqual(['date'])
  })
})

describe('corrections', () => {
  it('tell what changes, whatever the order of keys', async () => {
    const { changed, parse } = await import('./journal/correction')
    expect(changed({ a: 1, b: { x: 1, y: 2 } }, { b: { y: 2, x: 1 }, a: 2, c: 'n' })).toEqual([['a', '1', '2'], ['c', '–', '"n"']])
    expect(parse('[1]').body).toBeUndefined()
    expect(parse('{"a":1}').body).toEqual({ a: 1 })
  })
})

describe('the small map', () => {
  it('keeps proportions and puts north up', async () => {
    const { bounds, project, scaleBar } = await import('./parts/minimap')
    const box = bounds([{ lat: 60, lon: 10 }, { lat: 60.1, lon: 10.2 }])
    if (box === undefined) throw new Error('no box')
    const view = project(box, 480)
    const [x0, y0] = view.at([10, 60])
    const [x1, y1] = view.at([10.2, 60.1])
    expect(y1).toBeLessThan(y0)
    // At 60 degrees a degree of longitude is half as long as one of latitude: 0.2 by 0.1 degrees is a square.
    expect((x1 - x0) / (y0 - y1)).toBeCloseTo(1, 1)
    const bar = scaleBar(view.metresPerUnit, 160)
    expect(bar.units).toBeLessThanOrEqual(160)
    expect(bar.units * view.metresPerUnit / bar.metres).toBeCloseTo(1, 1)
    expect(bounds([])).toBeUndefined()
  })
})

describe('standing', () => {
  it('is what the newest grant says, also when it has run out', async () => {
    const { standing } = await import('./bench/standing')
    const row = { person: 'p', roles: [], has_account: true, authorities: [{ taxa: ['*'], up_to: 'confirmed', from: '2026-01-01', granted_by: 'x' }, { taxa: ['t'], up_to: 'tentative', from: '2026-02-01', to: '2026-03-01', granted_by: 'x' }] }
    expect(standing(row, 'u', '2026-05-01')).toBe('confirmed')
    expect(standing(row, 't', '2026-02-10')).toBe('tentative')
    expect(standing(row, 't', '2026-05-01')).toBe('none')
    expect(standing(row, 't', '2026-01-10')).toBe('confirmed')
  })
})

describe('a sample row', () => {
  it('shows the fields of objects beside the others', async () => {
    const { flat } = await import('./loading/file')
    expect(flat({ label: 'a', position: { lat: 1, lon: 2 }, ring: [1, 2] })).toEqual({ label: 'a', 'position.lat': 1, 'position.lon': 2, ring: '[1,2]' })
  })
})
